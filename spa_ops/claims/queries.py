"""Reads of what is taken."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from uuid import UUID

from django.db import connection
from psycopg.types.range import Range

from spa_ops.claims.models import Claim
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.intervals import Period


def busy(bookable_ids: Iterable[UUID], period: Period, now: datetime) -> set[UUID]:
    """Which of these are taken at some time within `period`; expired holds do not count."""
    rows = Claim.objects.filter(
        bookable__in=set(bookable_ids), span__overlap=Range(period.start, period.end)
    )
    return {
        b
        for b, until in rows.values_list("bookable_id", "hold_expires_at")
        if until is None or until > now
    }


_NEXT_SET_UP = """
SELECT k.id, min(lower(c.span)) FROM unnest(%s::uuid[], %s::timestamptz[]) AS k(id, since)
JOIN claims_claim c ON c.bookable_id = k.id AND c.phase = 'set_up' AND c.hold_expires_at IS NULL
AND c.span && tstzrange(k.since, NULL) AND lower(c.span) >= k.since GROUP BY k.id
"""


def next_set_up(since: Mapping[UUID, datetime]) -> dict[UUID, datetime]:
    """For each room the start of its next set-up at or after its instant, where one is planned."""
    with connection.cursor() as cursor:
        cursor.execute(_NEXT_SET_UP, [list(since), list(since.values())])
        return dict(cursor.fetchall())


def claims_of(visit_id: UUID) -> list[Claim]:
    """A visit's claims in order of time."""
    return list(
        Claim.objects.filter(visit_id=visit_id)
        .select_related("bookable")
        .order_by("span", "bookable")
    )


def free_after(visit_id: UUID, since: datetime, now: datetime) -> timedelta | None:
    """How long everything that a visit has taken beyond `since` stays free behind it; None: for good."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT min(next.starts - own.ends) FROM ("
            "SELECT bookable_id, max(upper(span)) AS ends FROM claims_claim "
            "WHERE visit_id = %s AND upper(span) > %s GROUP BY bookable_id) own, "
            "LATERAL (SELECT min(lower(c.span)) AS starts FROM claims_claim c "
            "WHERE c.bookable_id = own.bookable_id AND c.visit_id IS DISTINCT FROM %s "
            "AND c.span && tstzrange(own.ends, NULL) "
            "AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)) next",
            [visit_id, since, visit_id, now],
        )
        (found,) = cursor.fetchone()
    return found


_TAKEN = """
SELECT DISTINCT w.n, b.kind, b.id, c.phase, lower(c.span), upper(c.span)
FROM unnest(%s::uuid[], %s::timestamptz[], %s::timestamptz[], %s::int[])
    AS w(bookable, from_at, until_at, n)
JOIN claims_claim c ON c.bookable_id = w.bookable AND c.span && tstzrange(w.from_at, w.until_at)
    AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)
JOIN claims_bookable b ON b.id = c.bookable_id ORDER BY 1, 5, 2, 3
"""


def what_is_taken(
    plans: Sequence[Sequence[tuple[UUID, Period]]], now: datetime
) -> dict[int, list[dict[str, str]]]:
    """For each of many plans, by its place, what of the spans it needs is taken; as `ClaimClash` says it.

    A plan of which nothing is taken is not in it. One statement; nothing is locked.
    """
    spans = [(who, period, n) for n, plan in enumerate(plans) for who, period in plan]
    with connection.cursor() as cursor:
        cursor.execute(
            _TAKEN,
            [
                [who for who, _, _ in spans],
                [period.start for _, period, _ in spans],
                [period.end for _, period, _ in spans],
                [n for _, _, n in spans],
                now,
            ],
        )
        found: dict[int, list[dict[str, str]]] = {}
        for n, kind, who, phase, start, end in cursor.fetchall():
            found.setdefault(n, []).append(
                {"kind": kind, "id": str(who), "phase": phase, "from": rfc3339(start),
                 "until": rfc3339(end)}
            )  # fmt: skip
    return found
