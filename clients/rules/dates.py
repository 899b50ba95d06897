"""Dates as people remember them: an earliest and a latest day, and windows counted from them.

The screening decides on the worst day of a range. Calendar months are clamped at the month's
end: 31 August and 6 months is 28 (or 29) February. No clock: `today` is an argument, the
location's date.
"""

import calendar
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from functools import cache


class Unit(StrEnum):
    """What a window counts."""

    DAYS = "days"
    WEEKS = "weeks"
    MONTHS = "months"


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A length of time in whole days, weeks or calendar months."""

    count: int
    unit: Unit

    def after(self, day: date) -> date:
        """The day this long after `day`; the last day there is where the calendar ends."""
        return self._moved(day, 1)

    def before(self, day: date) -> date:
        """The day this long before `day`; the first day there is where the calendar begins."""
        return self._moved(day, -1)

    def _moved(self, day: date, sign: int) -> date:
        try:
            if self.unit is Unit.MONTHS:
                return plus_months(day, sign * self.count)
            days = self.count * (7 if self.unit is Unit.WEEKS else 1)
            return day + timedelta(days=sign * days)
        except (OverflowError, ValueError):
            # An unknown day may be the first or last one there is: it stays there.
            return date.max if sign > 0 else date.min

    def __str__(self) -> str:
        return f"{self.count} {self.unit.value if self.count != 1 else self.unit.value[:-1]}"


def plus_months(day: date, months: int) -> date:
    """`day` moved by calendar months, clamped to the last day of a shorter month.

    Raises ValueError outside the years 1 to 9999.
    """
    year, month0 = divmod(day.year * 12 + day.month - 1 + months, 12)
    if not date.min.year <= year <= date.max.year:
        raise ValueError("outside the calendar")
    return date(year, month0 + 1, min(day.day, calendar.monthrange(year, month0 + 1)[1]))


@cache
def _spread(window: Window) -> tuple[int, int]:
    """The fewest and the most days that a window covers, over every day of a leap cycle."""
    days = [(window.after(day) - day).days for day in _leap_cycle()]
    return min(days), max(days)


def _leap_cycle() -> Iterator[date]:
    start = date(2023, 1, 1)
    return (start + timedelta(days=n) for n in range(4 * 365 + 1))


def at_least_as_long(one: Window | None, other: Window | None) -> bool:
    """Whether `one` is never shorter than `other`, whatever day both are counted from."""
    if other is None or one == other:
        return True
    if one is None:
        return False
    return _spread(one)[0] >= _spread(other)[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRange:
    """The days on which something may have been, from `earliest` to `latest`, both included.

    `date.min` and `date.max` stand for "not known".
    """

    earliest: date
    latest: date

    def __post_init__(self) -> None:
        if self.earliest > self.latest:
            raise ValueError("a range of days needs its earliest day first")

    @property
    def is_exact(self) -> bool:
        return self.earliest == self.latest

    def up_to(self, day: date) -> "DateRange":
        """The part not after `day`: something that has happened was at the latest today.

        Raises ValueError if the whole range lies after `day`.
        """
        return DateRange(earliest=self.earliest, latest=min(self.latest, day))


def exactly(day: date) -> DateRange:
    """A day known for certain."""
    return DateRange(earliest=day, latest=day)


def in_month(year: int, month: int) -> DateRange:
    """Some day of a calendar month."""
    last = calendar.monthrange(year, month)[1]
    return DateRange(earliest=date(year, month, 1), latest=date(year, month, last))


def in_year(year: int) -> DateRange:
    """Some day of a calendar year."""
    return DateRange(earliest=date(year, 1, 1), latest=date(year, 12, 31))


def in_latest_month_named(month: int, today: date) -> DateRange:
    """Said of the past ("in August"): the last such month that has begun, up to `today`."""
    year = today.year if month <= today.month else today.year - 1
    return in_month(year, month).up_to(today)


def about_ago(count: int, unit: Unit, today: date) -> DateRange:
    """Said as a rough time ago: a quarter of it more or less, at least one unit (house policy)."""
    slack = max(1, -(-count // 4))
    earliest = Window(count=count + slack, unit=unit).before(today)
    return DateRange(
        earliest=earliest, latest=Window(count=max(0, count - slack), unit=unit).before(today)
    )


def unknown_past(today: date) -> DateRange:
    """It was at some time up to today."""
    return DateRange(earliest=date.min, latest=today)


def unknown_future(today: date) -> DateRange:
    """It is to come, today or at any time after."""
    return DateRange(earliest=today, latest=date.max)
