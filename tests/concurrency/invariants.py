"""What must hold whatever happened at once: SQL over the tables, apart from the program's own code.

For databases in which visits were booked, moved and cancelled and nothing else was done to them.
"""

from typing import Any
from uuid import UUID

from django.db import connection

from compliance.ledger.queries import verification
from spa_ops.unit.work import snapshot

#: Every claim that the lines of a booked visit need, one row for each.
EXPECTED = """
    SELECT l.visit_id, c.who, c.from_at, c.until_at, c.phase
    FROM services_line l JOIN services_visit v ON v.id = l.visit_id AND v.state = 'booked',
    LATERAL (VALUES
        (v.client_id, l.starts_at, l.ends_at, 'service'),
        (l.practitioner_id, l.starts_at, coalesce(l.unattended_at, l.ends_at), 'service'),
        (l.practitioner_id, CASE WHEN l.unattended_at IS NULL THEN l.ends_at ELSE l.aftercare_at END,
         l.ends_at, 'service'),
        (l.room_id, l.starts_at, l.ends_at, 'service'),
        (l.room_id, l.set_up_at, l.starts_at, 'set_up'),
        (l.set_up_by, l.set_up_at, l.starts_at, 'set_up'),
        (l.room_id, l.ends_at, l.turnover_ends_at, 'turnover'),
        (l.turnover_by, l.ends_at, l.turnover_ends_at, 'turnover')
    ) AS c(who, from_at, until_at, phase)
    WHERE c.from_at < c.until_at
    UNION ALL
    SELECT l.visit_id, l.kit_id, min(l.set_up_at), max(l.turnover_ends_at), 'service'
    FROM services_line l JOIN services_visit v ON v.id = l.visit_id AND v.state = 'booked'
    WHERE l.kit_id IS NOT NULL GROUP BY l.visit_id, l.kit_id
    UNION ALL
    SELECT a.id, coalesce(a.person_id, a.room_id, a.kit_id), a.starts_at, a.ends_at, 'absence'
    FROM services_absence a WHERE a.ended_at IS NULL
"""
HELD = "SELECT visit_id, bookable_id, lower(span), upper(span), phase FROM claims_claim"
#: What no row may come back from, by what such a row would mean.
FLAWS = {
    "two claims of one thing overlap": (
        "SELECT a.bookable_id, a.span, b.span FROM claims_claim a JOIN claims_claim b "
        "ON a.bookable_id = b.bookable_id AND a.id < b.id AND a.span && b.span"
    ),
    "a booked visit lacks a claim": f"({EXPECTED}) EXCEPT ALL ({HELD})",
    "a claim belongs to no booked visit": f"({HELD}) EXCEPT ALL ({EXPECTED})",
    "a visit has no line": (
        "SELECT id FROM services_visit v "
        "WHERE NOT EXISTS (SELECT FROM services_line l WHERE l.visit_id = v.id)"
    ),
    "a visit was not booked exactly once": (
        "SELECT v.id, count(c.id) FROM services_visit v LEFT JOIN services_visit_change c "
        "ON c.visit_id = v.id AND c.kind = 'booked' GROUP BY v.id HAVING count(c.id) <> 1"
    ),
    "a visit's version is not the number of its changes": (
        "SELECT v.id, v.version FROM services_visit v WHERE v.version <> "
        "(SELECT count(*) FROM services_visit_change c WHERE c.visit_id = v.id)"
    ),
    "a change and the evidence differ": (
        "(SELECT visit_id, 'visit.' || kind FROM services_visit_change EXCEPT ALL "
        "SELECT subject_id, kind FROM ledger_entry WHERE kind LIKE 'visit.%') UNION ALL "
        "(SELECT subject_id, kind FROM ledger_entry WHERE kind LIKE 'visit.%' EXCEPT ALL "
        "SELECT visit_id, 'visit.' || kind FROM services_visit_change)"
    ),
    "the feed lacks a version of a visit, or has one too many": (
        "SELECT v.id FROM services_visit v FULL JOIN (SELECT entity_id, count(*) AS many, "
        "min(version) AS lowest, max(version) AS highest, count(DISTINCT version) AS apart "
        "FROM sync_change WHERE entity = 'visit' GROUP BY entity_id) f ON f.entity_id = v.id "
        "WHERE (f.many, f.lowest, f.highest, f.apart) IS DISTINCT FROM (v.version, 1, v.version, v.version)"
    ),
    "a feed has a hole": (
        "SELECT f.id, f.head, count(c.seq), min(c.seq), max(c.seq) FROM sync_feed f "
        "LEFT JOIN sync_change c ON c.feed_id = f.id GROUP BY f.id, f.head "
        "HAVING f.head <> count(c.seq) OR f.head <> coalesce(max(c.seq), 0)"
    ),
}


def flaws(business_id: UUID, *chains: UUID) -> list[tuple[str, Any]]:
    """Everything that is wrong with what is stored; nothing where all is well."""
    found: list[tuple[str, Any]] = []
    with snapshot(business_id), connection.cursor() as cursor:
        for meaning, statement in FLAWS.items():
            cursor.execute(statement)
            found += [(meaning, row) for row in cursor.fetchmany(5)]
        for chain in chains:
            checked = verification(business_id, chain)
            if not checked.is_whole:
                found.append(("a chain is broken", checked.failure))
    return found


def count(business_id: UUID, table: str, condition: str = "true") -> int:
    """How many rows of a table meet a condition."""
    with snapshot(business_id), connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {table} WHERE {condition}")
        return int(cursor.fetchone()[0])
