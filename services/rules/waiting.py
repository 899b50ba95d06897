"""Which times suit who waits. Pure."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from services.rules.availability.model import Spans
from spa_ops.kernel.intervals import Period, at_local
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy.rules import WEEKDAYS

#: House policy: who would come in a year has time to ask again.
MOST_DAYS, MOST_TIMES = 366, 6
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """From the first to the last local day, both included; no weekdays: any; no times: at any.

    A time that ends at or before it begins ends the next day, as a shift does: it belongs to the day,
    and to the weekday, on which it begins, also behind the last day's midnight.
    """

    from_on: date
    until_on: date
    weekdays: frozenset[str] = frozenset()
    #: The visit begins within one of these: from, and before.
    times: tuple[tuple[time, time], ...] = ()


def wishes_of(stored: Mapping[str, Any]) -> Wishes:
    """The wishes as they are kept: `from_on`, `until_on`, `weekdays`, `times` as texts."""
    return Wishes(
        from_on=stored["from_on"],
        until_on=stored["until_on"],
        weekdays=frozenset(stored["weekdays"]),
        times=tuple((time.fromisoformat(a), time.fromisoformat(b)) for a, b in stored["times"]),
    )


def check_wishes(
    *,
    from_on: date,
    until_on: date,
    weekdays: Sequence[str],
    times: Sequence[Sequence[time]],
    today: date,
) -> None:
    """Raises `InvalidInput` for days in the wrong order, over or too far off, and for odd times."""
    if until_on < max(from_on, today):
        raise invalid("/until_on", "must not be before from_on or today")
    if from_on > today + timedelta(days=MOST_DAYS) or until_on > from_on + timedelta(
        days=MOST_DAYS
    ):
        raise invalid("/until_on", f"must be within {MOST_DAYS} days")
    if len(set(weekdays)) != len(weekdays) or not set(weekdays) <= set(WEEKDAYS):
        raise invalid("/weekdays", f"must be some of {', '.join(WEEKDAYS)}, each once")
    if len(times) > MOST_TIMES:
        raise invalid("/times", f"must be up to {MOST_TIMES}")
    for n, (first, before) in enumerate(times):
        if first == before:
            raise invalid(f"/times/{n}", "must begin and end at different times; none: at any time")
    if weekdays and not any(
        WEEKDAYS[(from_on + timedelta(days=n)).weekday()] in weekdays
        for n in range(min(7, (until_on - from_on).days + 1))
    ):
        raise invalid("/weekdays", "must have a day between from_on and until_on")


def suiting(wishes: Wishes, zone: str, within: Period, without: Collection[date] = ()) -> Spans:
    """The spans of `within` in which a visit may begin, in order, but for the local days `without`.

    A wall time that is skipped or exists twice means what `at_local` says.
    """
    found: list[Period] = []
    # What began on the evening before may still run.
    first = within.start.astimezone(ZoneInfo(zone)).date() - _DAY
    last = within.end.astimezone(ZoneInfo(zone)).date()
    day = max(wishes.from_on, first)
    while day <= min(wishes.until_on, last):
        if not wishes.weekdays or WEEKDAYS[day.weekday()] in wishes.weekdays:
            for on, begins, ends in _of_day(wishes, zone, day):
                start, end = max(begins, within.start), min(ends, within.end)
                if on not in without and start < end:
                    found.append(Period(start, end))
        day += _DAY
    return tuple(sorted(found))


def _of_day(wishes: Wishes, zone: str, day: date) -> Iterator[tuple[date, datetime, datetime]]:
    """(local day, from, before), cut at midnight: what was refused and what is screened goes by days."""
    midnight = at_local(day + _DAY, time(0), zone)
    if not wishes.times:
        yield day, at_local(day, time(0), zone), midnight
    for first, before in wishes.times:
        begins = at_local(day, first, zone)
        if first < before:
            yield day, begins, at_local(day, before, zone)
        else:
            yield day, begins, midnight
            yield day + _DAY, midnight, at_local(day + _DAY, before, zone)


def is_over(wishes: Wishes, zone: str, now: datetime) -> bool:
    """Whether no time that suits is to come any more."""
    end = at_local(wishes.until_on + 2 * _DAY, time(0), zone)
    return end <= now or not suiting(wishes, zone, Period(now, end))


def common(a: Spans, b: Spans) -> Spans:
    """What two sets of spans have in common."""
    return tuple(
        Period(max(x.start, y.start), min(x.end, y.end)) for x in a for y in b if x.overlaps(y)
    )


def offer_ends(now: datetime, minutes: int, starts_at: datetime) -> datetime:
    """Until when an offer is good: so many minutes, and never into the visit."""
    return min(now + timedelta(minutes=minutes), starts_at)


def offer_text(place: str, zone: str, starts_at: datetime, expires_at: datetime) -> str:
    """A neutral service message, in the place's wall time: no name of a service, nothing is promised.

    "Reply stop" as 47 CFR 64.1200(a)(10) reads.
    """
    at, until = (x.astimezone(ZoneInfo(zone)) for x in (starts_at, expires_at))
    return (
        f"{place}: a time has come free on {at.day} {at:%B} at {at:%H:%M}. It is kept for you until"
        f" {until:%H:%M}. Call us to take it: nothing is booked before. Reply stop to get no more"
        " messages."
    )
