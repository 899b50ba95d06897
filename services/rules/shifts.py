"""Weekly shifts on a wall clock, and what they mean as instants. Pure.

A shift that ends at or before its start ends the next day. On the two days a year when clocks
change, wall times mean what `kernel.intervals.at_local` says.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

from spa_ops.kernel.intervals import Period, local_period

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

    def on(self, day: date) -> Period | None:
        """The span that begins on `day`, if one does."""
        ended = self.valid_until is not None and day >= self.valid_until
        if day.weekday() != self.weekday or day < self.valid_from or ended:
            return None
        return local_period(day, self.starts, self.ends, self.zone)

    def within(self, period: Period) -> Iterator[Period]:
        """The spans that touch `period`: one that began the day before may still run."""
        zone = ZoneInfo(self.zone)
        day = period.start.astimezone(zone).date() - _DAY
        day += timedelta(days=(self.weekday - day.weekday()) % 7)
        last = period.end.astimezone(zone).date()
        while day <= last:
            span = self.on(day)
            if span is not None and span.overlaps(period):
                yield span
            day += _WEEK


def covers(shifts: Iterable[Weekly], period: Period) -> bool:
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
        if span is not None and any(other.within(span)):
            return span
    return None
