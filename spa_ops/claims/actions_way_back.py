"""A kit's way back as it is planned, brought in line with what happens. Inside an action."""

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

from django.db import connection
from psycopg.types.range import Range

from spa_ops.claims.actions import Wanted, claim, lock_bookables
from spa_ops.claims.models import BookableFacts, Claim, Phase
from spa_ops.kernel.intervals import Period

WAY_BACK = (Phase.REPROCESSING, Phase.SOAK)
# What each of these has had last, up to now: by whole minutes first, which an index knows.
_LAST = """
SELECT k.id, c.visit_id, c.line_id, c.phase FROM unnest(%s::uuid[]) AS k(id), LATERAL (
    SELECT c.visit_id, c.line_id, c.phase FROM claims_claim c
    WHERE c.bookable_id = k.id AND c.from_minute <= %s AND lower(c.span) <= %s
    AND c.hold_expires_at IS NULL ORDER BY lower(c.span) DESC LIMIT 1) c
WHERE c.phase IN ('reprocessing', 'soak') ORDER BY k.id
"""
_NEXT = """
SELECT min(lower(c.span)) FROM claims_claim c
WHERE c.bookable_id = %s AND c.until_minute > %s AND upper(c.span) > %s
AND c.visit_id IS DISTINCT FROM %s AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)
"""


def lock_on_their_way(kit_ids: Collection[UUID], now: datetime) -> dict[UUID, BookableFacts]:
    """Those of the kits that were planned to be on their way back last, and nothing else since, locked.

    One statement where there are none.
    """
    found = {kit_id for kit_id, *_ in _last(kit_ids, now)}
    return lock_bookables(found) if found else {}


def _last(kit_ids: Collection[UUID], now: datetime) -> list[tuple[UUID, UUID, UUID | None, str]]:
    with connection.cursor() as cursor:
        cursor.execute(_LAST, [list(kit_ids), int(now.timestamp() // 60), now])
        found: list[tuple[UUID, UUID, UUID | None, str]] = cursor.fetchall()
    return found


def follow_way_back(
    *,
    kit: BookableFacts,
    now: datetime,
    lifted_at: datetime | None,
    back_at: datetime,
    may_shorten: bool,
) -> None:
    """Plan what is left of a kit's way back: in its bath until `lifted_at`, away until `back_at`.

    What it had beyond that is given back; where it takes longer, it has what nobody else has taken
    until then. `kit` is locked. Nothing is changed for a kit that is not on its way.
    """
    kit_id, last = kit.id, _last([kit.id], now)
    if not last:
        return
    _, visit_id, line_id, _ = last[0]
    own = Claim.objects.filter(
        bookable=kit_id, visit_id=visit_id, hold_expires_at__isnull=True, phase__in=WAY_BACK
    )
    left = [c for c in own.order_by("span") if c.span.upper > now]
    planned_until = max((c.span.upper for c in left), default=now)
    if back_at < planned_until and not may_shorten:
        return
    end = min(filter(None, (back_at, _next(kit_id, visit_id, now))))
    parts = _parts(now, lifted_at, end)
    had = [(c.phase, max(c.span.lower, now), c.span.upper) for c in left]
    if had == [(phase, period.start, period.end) for phase, period in parts]:
        return
    for one in left:
        if one.span.lower < now:
            one.span = Range(one.span.lower, now)
            one.save(update_fields=["span"])
        else:
            one.delete()
    if not parts:
        return
    claim(
        wanted=[
            Wanted(bookable_id=kit_id, period=period, phase=phase, line_id=line_id)
            for phase, period in parts
        ],
        now=now,
        visit_id=visit_id,
        locked={kit_id: kit},
    )


def _next(kit_id: UUID, visit_id: UUID, now: datetime) -> datetime | None:
    with connection.cursor() as cursor:
        cursor.execute(_NEXT, [kit_id, int(now.timestamp() // 60), now, visit_id, now])
        (found,) = cursor.fetchone()
    return found  # type: ignore[no-any-return]


def _parts(
    now: datetime, lifted_at: datetime | None, end: datetime
) -> Sequence[tuple[Phase, Period]]:
    lifted = min(lifted_at or now, end)
    spans = [(Phase.SOAK, now, lifted), (Phase.REPROCESSING, lifted, end)]
    return [(phase, Period(start, stop)) for phase, start, stop in spans if start < stop]
