"""Weekly shifts on a wall clock, days that are worked otherwise, and what both mean as instants. Pure.

A shift that ends at or before its start ends the next day. On the two days a year when clocks
change, wall times mean what `kernel.intervals.at_local` says.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from spa_ops.kernel.intervals import Period, at_local, some_local_period

#: (starts, ends) pairs of wall times; an end at or before its start is the next day's.
Walls = tuple[tuple[time, time], ...]
_DAY, _WEEK = timedelta(days=1), timedelta(days=7)
#: Every pair of offsets that the clocks of two zones can have comes up within a year.
_WEEKS_COMPARED = 54


@dataclass(frozen=True, slots=True, kw_only=True)
class Weekly:
    """Every `weekday` (0 is Monday) from `valid_from` up to but not including `valid_until`."""

    weekday: int
    starts: time
    ends: time
    valid_from: date
    valid_until: date | None
    zone: str
    #: Wall times within the shift at which the person is away.
    breaks: Walls = ()
    #: Days on which something else holds.
    not_on: frozenset[date] = frozenset()

    def on(self, day: date) -> Period | None:
        """The span that begins on `day`, if one does."""
        ended = self.valid_until is not None and day >= self.valid_until
        if day.weekday() != self.weekday or day < self.valid_from or ended or day in self.not_on:
            return None
        return some_local_period(day, self.starts, self.ends, self.zone)

    def within(self, period: Period) -> Iterator[Period]:
        """The spans that touch `period`, breaks left out: one that began the day before may still run."""
        for day, whole in self._wholes(period):
            breaks = (_break(day, whole, *walls, self.zone) for walls in self.breaks)
            for span in without(whole, [b for b in breaks if b is not None]):
                if span.overlaps(period):
                    yield span

    def is_on_within(self, period: Period) -> bool:
        """Whether the shift, its breaks counted in, touches `period`."""
        return any(True for _ in self._wholes(period))

    def _wholes(self, period: Period) -> Iterator[tuple[date, Period]]:
        first, last = _local_days(period, self.zone)
        day = first - _DAY
        day += timedelta(days=(self.weekday - day.weekday()) % 7)
        while day <= last:
            span = self.on(day)
            if span is not None and span.overlaps(period):
                yield day, span
            day += _WEEK


@dataclass(frozen=True, slots=True, kw_only=True)
class OneDay:
    """What holds on one local day instead of the weekly shifts: these wall times, or nothing."""

    day: date
    spans: Walls
    zone: str

    @property
    def periods(self) -> list[Period]:
        """As instants, in order; two that touch or overlap on a day of changing clocks stay two."""
        found = (some_local_period(self.day, *walls, self.zone) for walls in self.spans)
        return sorted(span for span in found if span is not None)

    def within(self, period: Period) -> Iterator[Period]:
        """The spans that touch `period`."""
        return (span for span in self.periods if span.overlaps(period))

    def is_on_within(self, period: Period) -> bool:
        """Whether one of the spans touches `period`."""
        return any(True for _ in self.within(period))


Worked = Weekly | OneDay


@lru_cache(maxsize=256)
def _local_days(period: Period, zone: str) -> tuple[date, date]:
    # Asked of each shift of a week in turn about the same few spans.
    known = ZoneInfo(zone)
    return period.start.astimezone(known).date(), period.end.astimezone(known).date()


def _break(day: date, whole: Period, starts: time, ends: time, zone: str) -> Period | None:
    # A shift past midnight has its later breaks on the next day. In the hour that clocks skip, a
    # break may come to nothing.
    begins = at_local(day, starts, zone)
    if begins < whole.start:
        day += _DAY
        begins = at_local(day, starts, zone)
    stops = at_local(day if ends > starts else day + _DAY, ends, zone)
    return Period(begins, stops) if begins < stops else None


def without(whole: Period, away: Iterable[Period]) -> list[Period]:
    """What is left of `whole`, in order."""
    found, reached = [], whole.start
    for one in sorted(away):
        if reached < min(one.start, whole.end):
            found.append(Period(reached, min(one.start, whole.end)))
        reached = max(reached, one.end)
    return [*found, Period(reached, whole.end)] if reached < whole.end else found


def walls_of(spans: Iterable[Iterable[str]]) -> Walls:
    """Kept pairs of wall times as the rules take them."""
    pairs = ([time.fromisoformat(wall) for wall in span] for span in spans)
    return tuple((starts, ends) for starts, ends in pairs)


def minutes_into(starts: time, wall: time) -> int:
    """How many minutes of a wall clock `wall` comes after `starts`: 0 to 1439."""
    return (wall.hour * 60 + wall.minute - starts.hour * 60 - starts.minute) % 1440


def covers(shifts: Iterable[Worked], period: Period) -> bool:
    """Whether these shifts together leave no instant of `period` out; one may take over from another."""
    reached = period.start
    for span in sorted(span for shift in shifts for span in shift.within(period)):
        if span.start > reached:
            return False
        reached = max(reached, span.end)
    return reached >= period.end


def first_clash(one: Weekly, other: Weekly) -> Period | None:
    """The first span of `one` that overlaps a span of `other`, wherever the two places are."""
    day = max(one.valid_from, other.valid_from - _WEEK)
    day += timedelta(days=(one.weekday - day.weekday()) % 7)
    for week in range(_WEEKS_COMPARED):
        span = one.on(day + week * _WEEK)
        if span is not None and other.is_on_within(span):
            return span
    return None
