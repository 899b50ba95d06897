"""Half-open spans of time and wall-clock arithmetic in a place's zone."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True, order=True)
class Period:
    """The instants from `start` up to but not including `end`; both aware, `start` < `end`."""

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        if self.start.tzinfo is None or self.end.tzinfo is None:
            raise ValueError("a period needs aware instants")
        if self.start >= self.end:
            raise ValueError("a period must have a length")

    def overlaps(self, other: "Period") -> bool:
        return self.start < other.end and other.start < self.end

    def contains(self, other: "Period") -> bool:
        return self.start <= other.start and other.end <= self.end

    @property
    def minutes(self) -> int:
        return int((self.end - self.start).total_seconds()) // 60

    def shifted(self, by: timedelta) -> "Period":
        return Period(self.start + by, self.end + by)


def at_local(day: date, wall: time, zone: str) -> datetime:
    """The instant, in UTC, at which a clock on the wall in `zone` shows `wall` on `day`.

    A time that exists twice (clocks go back) means the first of the two. A time that does not
    exist (clocks go forward) means the instant the same number of minutes after the last wall
    time before the gap: 02:30 in a gap of an hour is 03:30. Both follow PEP 495 with fold 0.
    """
    return datetime.combine(day, wall, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def local_period(day: date, opens: time, closes: time, zone: str) -> Period:
    """The span between two wall times on `day`; a closing at or before the opening is next day's."""
    end_day = day if closes > opens else day + timedelta(days=1)
    return Period(at_local(day, opens, zone), at_local(end_day, closes, zone))


def some_local_period(day: date, opens: time, closes: time, zone: str) -> Period | None:
    """As `local_period`; None where the clocks of that day skip all of it."""
    end_day = day if closes > opens else day + timedelta(days=1)
    start, end = at_local(day, opens, zone), at_local(end_day, closes, zone)
    return Period(start, end) if start < end else None


def local_day(day: date, zone: str) -> Period:
    """The whole of a calendar day in `zone`: 23, 24 or 25 hours (or as the zone's change has it)."""
    return Period(at_local(day, time(0), zone), at_local(day + timedelta(days=1), time(0), zone))
