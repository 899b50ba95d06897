"""Reads of what is taken."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from psycopg.types.range import Range

from spa_ops.claims.models import Claim, Phase
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


def next_set_up(room_ids: Iterable[UUID], after: datetime) -> dict[UUID, datetime]:
    """For each room the start of its next set-up at or after `after`, where one is planned."""
    found: dict[UUID, datetime] = {}
    rows = Claim.objects.filter(
        bookable__in=set(room_ids),
        phase=Phase.SET_UP,
        span__startswith__gte=after,
        hold_expires_at=None,
    )
    for room_id, span in rows.values_list("bookable_id", "span"):
        if room_id not in found or span.lower < found[room_id]:
            found[room_id] = span.lower
    return found


def claims_of(visit_id: UUID) -> list[Claim]:
    """A visit's claims in order of time."""
    return list(
        Claim.objects.filter(visit_id=visit_id)
        .select_related("bookable")
        .order_by("span", "bookable")
    )
