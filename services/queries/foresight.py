"""Reads for looking ahead: the coming lines of many clients at once."""

from collections import defaultdict
from collections.abc import Collection, Container, Iterable, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from clients.queries_patch_tests import clients_tested
from clients.rules.model import PatchTest
from services.models import ForesightDue, Visit, VisitState
from services.queries.patch_tests import as_now, products_named, tests_of


class ComingLine(NamedTuple):
    """A planned line of a booked visit, and what was foreseen of it last."""

    client_id: UUID
    visit_id: UUID
    line_id: UUID
    zone: str
    area: str
    method: str
    starts_at: datetime
    verdict: str
    earliest_on: date | None
    product_ids: Sequence[UUID]


# Of who said nothing only what stands stopped, or could be by a test, may change. The visits of each
# client apart (OFFSET keeps it so): joined at once, every batch went through the whole table.
_COMING_LINES = """
SELECT v.client_id, v.id, l.id, p.zone, l.area, l.method, l.starts_at, l.verdict, l.earliest_on, s.skin_product_ids
FROM unnest(%s::uuid[], %s::bool[]) AS c(id, told)
CROSS JOIN LATERAL (
    SELECT v.id, v.business_id, v.client_id, v.location_id FROM services_visit v
    WHERE v.client_id = c.id AND v.state = 'booked' AND v.starts_at > %s OFFSET 0
) v
JOIN services_line l ON l.business_id = v.business_id AND l.visit_id = v.id
JOIN services_service s ON s.business_id = l.business_id AND s.id = l.service_id
JOIN tenancy_location p ON p.business_id = v.business_id AND p.id = v.location_id
WHERE l.state = 'planned' AND (c.told OR l.verdict <> '' OR s.skin_product_ids <> '{}')
ORDER BY v.client_id, l.starts_at, l.id
"""
#: Also what the benchmark's peer reads.
CLIENTS_BEHIND = """
SELECT DISTINCT client_id FROM services_visit
WHERE state = 'booked' AND starts_at > %s AND client_id > %s ORDER BY client_id LIMIT %s
"""


def coming_lines(
    client_ids: Collection[UUID], told: Container[UUID], now: datetime
) -> list[ComingLine]:
    """The planned lines of these clients' booked visits from `now` on, by client and time.

    Of clients who are not among `told` only those of which something else could be foreseen than
    stands there: by a patch test, or nothing any more.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            _COMING_LINES, [list(client_ids), [client_id in told for client_id in client_ids], now]
        )
        return [ComingLine._make(row) for row in cursor.fetchall()]


def clients_behind(after: UUID, now: datetime, most: int) -> list[UUID]:
    """Up to `most` clients with a visit booked after `now`, by id from behind `after`."""
    with connection.cursor() as cursor:
        cursor.execute(CLIENTS_BEHIND, [now, after, most])
        return [row[0] for row in cursor.fetchall()]


def clients_due(most: int) -> list[UUID]:
    """Up to `most` clients about whom something changed since their coming visits were looked at."""
    due = ForesightDue.objects.order_by("client_id").values_list("client_id", flat=True)
    return list(due.distinct()[:most])


def refused_by_tests(
    lines: Iterable[ComingLine], business_id: UUID, now: datetime
) -> dict[UUID, frozenset[UUID]]:
    """For each client who has been tested, the products of their lines that a test has shut out for good."""
    by_client: dict[UUID, list[ComingLine]] = defaultdict(list)
    for line in lines:
        if line.product_ids:
            by_client[line.client_id].append(line)
    found = {}
    for client_id in clients_tested(by_client):
        own = by_client[client_id]
        kept = tests_of(client_id, business_id, own[0].zone)
        products = products_named(i for line in own for i in line.product_ids)
        found[client_id] = frozenset(
            i
            for i, product in products.items()
            if kept.standing(as_now(product), now=now, needed=True).status is PatchTest.POSITIVE
        )
    return found


def locked_booked(visit_ids: Collection[UUID]) -> dict[UUID, Visit]:
    """Those of the visits that are booked still, locked in the order of their ids."""
    rows = Visit.objects.select_for_update(of=("self",), no_key=True)
    booked = rows.filter(id__in=visit_ids, state=VisitState.BOOKED).order_by("id")
    return {visit.id: visit for visit in booked}


def in_question() -> tuple[str, list[Any]]:
    """SQL condition over visits `e`: booked, with a line that could not go ahead as far as is known."""
    return (
        "e.state = 'booked' AND EXISTS (SELECT FROM services_line l WHERE l.business_id = e.business_id "
        "AND l.visit_id = e.id AND l.state = 'planned' AND l.screened_on IS NULL AND l.verdict <> '')",
        [],
    )
