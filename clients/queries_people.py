"""Which records are one person: a client and those merged into it, however long the chain. Reads only.

Nothing is moved by a merge: what was kept stays under the id that it was kept under, and whoever
asks what is known of a client asks for all of these ids.
"""

from collections.abc import Collection, Iterable
from uuid import UUID

from django.db import connection

from clients.models import Client
from clients.problems import MergedAway

_IDS = """
WITH RECURSIVE person(whose, id, steps) AS (
    SELECT i, i, 0 FROM unnest(%s::uuid[]) AS i
    UNION ALL
    SELECT p.whose, c.id, p.steps + 1 FROM person p JOIN clients_client c ON c.merged_into_id = p.id AND c.merged_into_id IS NOT NULL
)
SELECT whose, id FROM person ORDER BY whose, steps, id
"""
_LEFT = """
WITH RECURSIVE up(whose, id, into_id) AS (
    SELECT c.id, c.id, c.merged_into_id FROM clients_client c WHERE c.id = ANY(%s)
    UNION ALL
    SELECT u.whose, c.id, c.merged_into_id FROM up u JOIN clients_client c ON c.id = u.into_id
)
SELECT whose, id FROM up WHERE into_id IS NULL
"""
_CHAIN = """
WITH RECURSIVE up(id, into_id, steps) AS (
    SELECT c.id, c.merged_into_id, 0 FROM clients_client c WHERE c.id = %s
    UNION ALL
    SELECT c.id, c.merged_into_id, u.steps + 1 FROM up u JOIN clients_client c ON c.id = u.into_id
)
SELECT id FROM up ORDER BY steps
"""
#: The consents that hold for a client, by purpose. Of each record the newest counts, unless the one
#: it was merged into was asked anew after that; of what is left the strictest.
CONSENTS = """
WITH RECURSIVE person(id, above, since) AS (
    SELECT {client}, '{{}}'::uuid[], '{{}}'::timestamptz[]
    UNION ALL
    SELECT c.id, p.above || p.id, p.since || c.merged_at
    FROM person p JOIN clients_client c ON c.merged_into_id = p.id AND c.merged_into_id IS NOT NULL
), newest AS (
    SELECT DISTINCT ON (p.id, c.purpose) p.above, p.since, c.purpose, c.given
    FROM person p JOIN clients_consent c ON c.client_id = p.id
    ORDER BY p.id, c.purpose, c.recorded_at DESC
)
SELECT n.purpose, bool_and(n.given) AS given FROM newest n
WHERE NOT EXISTS (
    SELECT FROM unnest(n.above, n.since) AS u(id, since)
    JOIN clients_consent k ON k.client_id = u.id
    WHERE k.purpose = n.purpose AND k.recorded_at > u.since)
GROUP BY n.purpose
"""


def ids_of_each(client_ids: Collection[UUID]) -> dict[UUID, list[UUID]]:
    """For each of many clients its own id, first, and those merged into it. One statement."""
    found: dict[UUID, list[UUID]] = {client_id: [] for client_id in client_ids}
    with connection.cursor() as cursor:
        cursor.execute(_IDS, [list(client_ids)])
        for whose, client_id in cursor.fetchall():
            found[whose].append(client_id)
    return found


def ids_of(client_id: UUID) -> list[UUID]:
    """The client's own id, first, and those of the clients merged into it."""
    return ids_of_each([client_id])[client_id]


def left_of_each(client_ids: Iterable[UUID]) -> dict[UUID, UUID]:
    """For each client who is there the one that is left: itself, unless it was merged away."""
    with connection.cursor() as cursor:
        cursor.execute(_LEFT, [list(client_ids)])
        return dict(cursor.fetchall())


def ids_of_persons(client_ids: Iterable[UUID]) -> set[UUID]:
    """The ids of all records of the persons whose records these are some of. Two statements, or none."""
    if not (some := set(client_ids)):
        return set()
    persons = ids_of_each(set(left_of_each(some).values()))
    return {client_id for ids in persons.values() for client_id in ids}


def left_of(client_id: UUID) -> UUID:
    """The one that is left of a client's person."""
    return left_of_each([client_id]).get(client_id, client_id)


def check_left(client: Client) -> None:
    """Raises `MergedAway`, naming the one that is left, for who was merged into another.

    Sure only while the client is locked.
    """
    if client.merged_into_id is not None:
        raise MergedAway(client_id=str(client.id), into=str(left_of(client.id)))


def consents(client_id: UUID) -> dict[str, bool]:
    """Whether consent holds, by purpose; a purpose that is missing was never asked: it does not."""
    with connection.cursor() as cursor:
        cursor.execute(CONSENTS.format(client="%s::uuid"), [client_id])
        return dict(cursor.fetchall())


def chain_of(client_id: UUID) -> list[UUID]:
    """The client's own id, and each that it was merged into, up to the one that is left."""
    with connection.cursor() as cursor:
        cursor.execute(_CHAIN, [client_id])
        return [row[0] for row in cursor.fetchall()]
