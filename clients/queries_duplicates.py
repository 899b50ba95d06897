"""Clients who may be one person. Reads only; a person decides."""

from typing import Any
from uuid import UUID

from django.db import connection

#: Of many who share a number, only so many are compared with each other: pairs grow with the square.
_MOST_ALIKE = 20

_PAIRS = """
WITH alike AS (
    SELECT 'phone' AS why, (array_agg(id ORDER BY id))[1:%(most)s] AS ids FROM clients_client
    WHERE phone <> '' AND erased_at IS NULL AND merged_into_id IS NULL GROUP BY phone HAVING count(*) > 1
    UNION ALL
    SELECT 'email', (array_agg(id ORDER BY id))[1:%(most)s] FROM clients_client
    WHERE email <> '' AND erased_at IS NULL AND merged_into_id IS NULL GROUP BY lower(email) HAVING count(*) > 1
    UNION ALL
    SELECT 'name_and_birth_date', (array_agg(id ORDER BY id))[1:%(most)s] FROM clients_client
    WHERE birth_date IS NOT NULL AND erased_at IS NULL AND merged_into_id IS NULL
    GROUP BY sort_name, birth_date HAVING count(*) > 1
)
SELECT a.id, b.id, array_agg(DISTINCT g.why ORDER BY g.why) FROM alike g
CROSS JOIN unnest(g.ids) AS a(id) JOIN LATERAL unnest(g.ids) AS b(id) ON a.id < b.id
WHERE NOT EXISTS (SELECT FROM clients_told_apart t WHERE t.client_id = a.id AND t.other_id = b.id)
GROUP BY a.id, b.id ORDER BY count(DISTINCT g.why) DESC, a.id, b.id LIMIT %(limit)s
"""


def duplicates(limit: int) -> list[dict[str, Any]]:
    """Pairs of clients with the same number, mail, or folded name and birth date, and which it is.

    One statement; pairs with more in common come first. Left out: who was told apart, merged or erased.
    """
    with connection.cursor() as cursor:
        cursor.execute(_PAIRS, {"most": _MOST_ALIKE, "limit": limit})
        rows: list[tuple[UUID, UUID, list[str]]] = cursor.fetchall()
    return [{"client_ids": [a, b], "why": why} for a, b, why in rows]
