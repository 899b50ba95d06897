"""What was done to a client's skin here, or is booked to be: it bears on screening as if they had told it."""

from collections import defaultdict
from collections.abc import Collection
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import connection

from clients.queries_people import ids_of_each
from clients.rules.cases import Declaration
from clients.rules.dates import exactly

#: Method -> the kind of event that screening's rules know it as, and its form. An esthetician's peel
#: is a light one, deeper ones are a physician's (common practice, no source).
KINDS = {
    "soft_wax": ("waxing", frozenset[str]()),
    "hard_wax": ("waxing", frozenset[str]()),
    "peel": ("chemical_peel", frozenset({"light"})),
    "microdermabrasion": ("microdermabrasion", frozenset[str]()),
    "dermaplaning": ("microdermabrasion", frozenset[str]()),
}
#: No rule about these asks for more time; a test holds the rules to it.
LONGEST = timedelta(days=62)
#: Nobody begins a visit further ahead of its time.
_EARLY = timedelta(days=1)
_WORK = """
SELECT c.whose, l.area, l.method, (coalesce(l.started_at, l.starts_at) AT TIME ZONE p.zone)::date
FROM unnest(%(whose)s::uuid[], %(ids)s::uuid[]) AS c(whose, id)
JOIN services_visit v ON v.client_id = c.id AND v.starts_at BETWEEN %(since)s AND %(until)s
    AND v.id <> ALL(%(without)s::uuid[])
JOIN services_line l ON l.business_id = v.business_id AND l.visit_id = v.id
JOIN tenancy_location p ON p.business_id = v.business_id AND p.id = v.location_id
WHERE l.method = ANY(%(methods)s) AND (l.started_at IS NOT NULL
    OR (%(booked)s AND v.state = 'booked' AND l.state = 'planned' AND v.starts_at > %(now)s))
ORDER BY c.whose, l.starts_at, l.id
"""


def own_work(
    client_ids: Collection[UUID],
    now: datetime,
    *,
    without: Collection[UUID] = (),
    booked: bool = False,
) -> dict[UUID, list[tuple[date, Declaration]]]:
    """For each client, of all their records, the work that was begun here lately, with its local day.

    With `booked` also what is planned. The visits `without` are left out. Two statements.
    """
    pairs = [(whose, one) for whose, ids in ids_of_each(client_ids).items() for one in ids]
    found: dict[UUID, list[tuple[date, Declaration]]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(
            _WORK,
            {
                "whose": [whose for whose, _ in pairs],
                "ids": [one for _, one in pairs],
                "since": now - LONGEST,
                # What has begun was not planned for long after.
                "until": now + (LONGEST * 12 if booked else _EARLY),
                "without": list(without),
                "methods": list(KINDS),
                "booked": booked,
                "now": now,
            },
        )
        for whose, area, method, day in cursor.fetchall():
            found[whose].append((day, as_told(area, method, day)))
    return found


def as_told(area: str, method: str, day: date) -> Declaration:
    """Work on an area by one of the methods of `KINDS` as an event of its day."""
    kind, details = KINDS[method]
    return Declaration(
        kind=kind,
        when=exactly(day),
        areas=frozenset({area}),
        still=False,
        details=details,
        said_today=False,
    )
