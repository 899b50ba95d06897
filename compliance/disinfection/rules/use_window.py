"""How long a mixed soak solution may be used: the strictest of label, jurisdiction and house.

A window is half-open: the bath is usable from `mixed_at` up to but not including its end.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, at_local, local_day

_DAY = timedelta(hours=24)


class LimitKind(StrEnum):
    """What a limit counts. "Weekly" is 7 days; "daily" and "each day" are `AT_CLOSING`."""

    HOURS = "hours"
    DAYS = "days"
    AT_CLOSING = "at_closing"
    USES = "uses"


class Origin(StrEnum):
    """Who sets a limit."""

    LABEL = "label"
    JURISDICTION = "jurisdiction"
    HOUSE = "house"


@dataclass(frozen=True, slots=True, kw_only=True)
class UseLimit:
    """One limit on a bath. `amount` counts hours, days or uses; a closing has none."""

    kind: LimitKind
    origin: Origin
    amount: int | None = None
    citation: str = ""

    def __post_init__(self) -> None:
        if self.kind is LimitKind.AT_CLOSING:
            if self.amount is not None:
                raise ValueError("a limit at closing has no amount")
        elif self.amount is None or self.amount < 1:
            raise ValueError(f"a limit in {self.kind} needs a whole number above zero")


#: What holds where neither label nor board nor house states a time: the safe end is tonight.
FALLBACK = UseLimit(kind=LimitKind.AT_CLOSING, origin=Origin.HOUSE, citation="house policy")


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedLimit:
    """A limit with the instant at which it ends this bath."""

    limit: UseLimit
    ends_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class UseWindow:
    """When a bath ends, which limit says so, and every timed limit beside it, soonest first.

    `uses_allowed` is the lowest count of any limit in uses, None if there is none.
    """

    mixed_at: datetime
    ends_at: datetime
    bound_by: UseLimit
    dated: tuple[DatedLimit, ...]
    uses_allowed: int | None = None


class EndReason(StrEnum):
    """Why a bath is over."""

    WINDOW_OVER = "window_over"
    CONTAMINATED = "visibly_contaminated"
    FAILED_STRIP = "failed_strip"
    VOIDED = "voided_by_uncleaned_item"
    NOT_AS_LABEL = "not_as_label"
    OVERFILLED = "overfilled"
    NOT_CHANGED_OVER = "container_not_changed_over"
    EMPTIED = "emptied"
    REPLACED = "replaced"


class SolutionState(StrEnum):
    """A bath is usable until it is ended; nothing brings it back."""

    USABLE = "usable"
    ENDED = "ended"


SOLUTION_MOVES: Mapping[SolutionState, frozenset[SolutionState]] = {
    SolutionState.USABLE: frozenset({SolutionState.ENDED}),
    SolutionState.ENDED: frozenset(),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """A bath's end: when and why."""

    at: datetime
    reason: EndReason


def limits_from(rows: Iterable[Mapping[str, Any]], origin: Origin) -> tuple[UseLimit, ...]:
    """Limits from parsed rows `{kind, amount?, citation?}` of a requirement pack or a label.

    Raises ValueError for an unknown kind or an amount that does not fit it.
    """
    return tuple(
        UseLimit(
            kind=LimitKind(row["kind"]),
            origin=origin,
            amount=row.get("amount"),
            citation=row.get("citation", ""),
        )
        for row in rows
    )


def house_limit(chosen: str) -> tuple[UseLimit, ...]:
    """What a house chose for itself: `at_closing`, or such as "8 hours"; empty: nothing.

    Raises ValueError for anything else.
    """
    if not chosen:
        return ()
    amount, _, kind = chosen.rpartition(" ")
    return (
        UseLimit(
            kind=LimitKind(kind),
            origin=Origin.HOUSE,
            amount=int(amount) if amount else None,
            citation="house policy",
        ),
    )


def discard_at(
    *, mixed_at: datetime, limits: Iterable[UseLimit], closing_at: datetime | None, zone: str
) -> UseWindow:
    """The use window of a bath mixed at `mixed_at`, where all limits hold and the soonest binds.

    `closing_at` is the closing of the business day in which it was mixed (`closing_of_day`), None
    on a day without opening hours. Without any timed limit the bath ends at closing (`FALLBACK`).
    Raises ValueError for naive instants, or a closing that cannot be of the mixing day.
    """
    if mixed_at.tzinfo is None:
        raise ValueError("an instant must be aware")
    mixed_at = mixed_at.astimezone(UTC)  # arithmetic in a local zone would count wall hours
    given = tuple(limits)
    timed = [limit for limit in given if limit.kind is not LimitKind.USES] or [FALLBACK]
    day_end = end_of_business_day(mixed_at, closing_at=closing_at, zone=zone)
    dated = sorted(
        (
            DatedLimit(limit=limit, ends_at=_end_of(limit, mixed_at, day_end, zone))
            for limit in timed
        ),
        key=lambda each: each.ends_at,
    )
    uses = [limit.amount for limit in given if limit.kind is LimitKind.USES and limit.amount]
    return UseWindow(
        mixed_at=mixed_at,
        ends_at=dated[0].ends_at,
        bound_by=dated[0].limit,
        dated=tuple(dated),
        uses_allowed=min(uses, default=None),
    )


def sooner(
    limits: Iterable[DatedLimit],
    *,
    mixed_at: datetime,
    closing_at: datetime | None,
    zone: str,
    now: datetime,
) -> tuple[DatedLimit, ...]:
    """The limits of a bath after the closing of its day, or the zone, became another; soonest first.

    None ends later than it did: what was written on the container is never exceeded. None ends before
    `now` that had not ended: what was done until then was done in time.
    """
    mixed_at = mixed_at.astimezone(UTC)
    day_end = end_of_business_day(mixed_at, closing_at=closing_at, zone=zone)
    found = (
        DatedLimit(
            limit=one.limit,
            ends_at=min(one.ends_at, max(_end_of(one.limit, mixed_at, day_end, zone), now)),
        )
        for one in limits
    )
    return tuple(sorted(found, key=lambda each: each.ends_at))


def _end_of(limit: UseLimit, mixed_at: datetime, day_end: datetime, zone: str) -> datetime:
    if limit.kind is LimitKind.AT_CLOSING:
        return day_end
    amount = limit.amount or 0
    if limit.kind is LimitKind.HOURS:
        return mixed_at + timedelta(hours=amount)
    # Days are counted on the wall, but the night of a clock change never lengthens them.
    wall = mixed_at.astimezone(ZoneInfo(zone))
    same_wall_time = at_local(wall.date() + timedelta(days=amount), wall.time(), zone)
    return min(same_wall_time, mixed_at + amount * _DAY)


def end_of_business_day(at: datetime, *, closing_at: datetime | None, zone: str) -> datetime:
    """When the day of `at` is over: at closing, or at midnight for what is done after closing.

    "Daily" and "ready until closing" end here, so never 24 h later and never on the next day's
    trade. Raises ValueError for a closing 24 h or more after `at`: that is another day's.
    """
    if closing_at is None or closing_at <= at:
        return local_day(local_date(at, zone), zone).end
    closing_at = closing_at.astimezone(UTC)
    if closing_at - at >= _DAY:
        raise ValueError("this is not the closing of that day")
    return closing_at


def closing_of_day(
    at: datetime, *, open_on: Callable[[date], Sequence[Period]], zone: str
) -> datetime | None:
    """The last closing of the business day that `at` belongs to; None if it never opens that day.

    `open_on` answers the opening periods that begin on a local date. Past midnight and still open
    from the evening before, `at` belongs to that evening's day. The *next* closing would not do:
    after hours it is tomorrow's, and a bath mixed tonight would live through a day of trade. Nor does
    one that is 24 h or more ahead, of a day that opens late and closes past midnight.
    """
    today = local_date(at, zone)
    evening_before = open_on(today - timedelta(days=1))
    if any(period.start <= at < period.end for period in evening_before):
        return max(period.end for period in evening_before)
    ends = (period.end.astimezone(UTC) for period in open_on(today))
    return max((end for end in ends if end - at.astimezone(UTC) < _DAY), default=None)


def ending(window: UseWindow, early: Iterable[Ending] = ()) -> Ending:
    """The bath's actual end: the first of its window's end and whatever ended it early."""
    by_itself = Ending(at=window.ends_at, reason=EndReason.WINDOW_OVER)
    return min((*early, by_itself), key=lambda each: each.at)


def is_usable(
    window: UseWindow, *, at: datetime, uses_so_far: int = 0, early: Iterable[Ending] = ()
) -> bool:
    """Whether something may be put into the bath at `at`, after `uses_so_far` earlier uses.

    Each time something is put in counts as one use (house policy, the strictest reading); what goes in
    at one instant is one batch.
    """
    if window.uses_allowed is not None and uses_so_far >= window.uses_allowed:
        return False
    return window.mixed_at <= at < ending(window, early).at
