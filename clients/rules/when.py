"""When something was, as a client can say it, as the days on which it may have been. Pure.

`{"on": day}`, `{"month": "2026-08"}`, `{"year": 2025}`, `{"about_days_ago": 10}` (or weeks, months),
each with or without `"planned"`: true is to come, false has been, and unsaid may be either. Nothing
at all means that nobody knows.
"""

from datetime import date

from clients.rules.dates import DateRange, Unit, about_ago, exactly, in_month, in_year
from clients.rules.model import Kind
from clients.rules.parts import Part

#: House policy: a day outside of these is a slip of the hand.
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2200, 12, 31)
_AGO = {"about_days_ago": 40_000, "about_weeks_ago": 6_000, "about_months_ago": 1_400}
_FORMS = ("on", "month", "year", *_AGO)


def days_told(part: Part | None, kind: Kind, today: date) -> DateRange:
    """The days that `part` means at a place where it is `today`; its faults are gathered in it.

    What is not said is the worst case: a kind that can be planned may be still to come.
    """
    told = DateRange(earliest=date.min, latest=date.max)
    planned = None
    if part is not None:
        part.only(*_FORMS, "planned")
        planned = part.flag("planned")
        told = _form(part, today) or told
    if not kind.may_be_planned:
        if planned and part is not None:
            part.wrong("planned", "in-the-future", "This cannot lie in the future.")
        planned = False
    if planned is None:
        return told
    try:
        return _from(told, today) if planned else told.up_to(today)
    except ValueError:
        if part is not None:
            when = "past" if planned else "future"
            part.wrong("", f"in-the-{when}", f"This cannot lie in the {when}.")
        return told


def _from(told: DateRange, today: date) -> DateRange:
    return DateRange(earliest=max(told.earliest, today), latest=told.latest)


def _form(part: Part, today: date) -> DateRange | None:
    """The days of the one form that was used; None where none was, or it is wrong."""
    used = [name for name in _FORMS if part.raw.get(name) is not None]
    if len(used) > 1:
        part.wrong(used[1], "doubled", "say when in one way")
        return None
    found: DateRange | None = None
    for name in used:
        if name == "on":
            day = part.day(name)
            found = exactly(day) if day is not None else None
        elif name == "month":
            found = part.made(name, _month, "must be a month such as 2026-08")
        elif name == "year":
            found = part.made(name, _year, f"must be {FIRST_DAY.year} to {LAST_DAY.year}")
        else:
            found = _ago(part, name, today)
        if found is not None and not FIRST_DAY <= found.earliest <= found.latest <= LAST_DAY:
            part.wrong(name, "invalid", f"must lie from {FIRST_DAY} to {LAST_DAY}")
            found = None
    return found


def _ago(part: Part, name: str, today: date) -> DateRange | None:
    count = part.count(name, _AGO[name])
    unit = Unit(name.removeprefix("about_").removesuffix("_ago"))
    if count is None:
        return None
    found = about_ago(count, unit, today)
    return DateRange(earliest=max(found.earliest, FIRST_DAY), latest=max(found.latest, FIRST_DAY))


def _month(value: object) -> DateRange:
    if not isinstance(value, str) or len(value) != 7 or value[4] != "-":
        raise ValueError("not a month")
    first = date.fromisoformat(f"{value}-01")
    return in_month(first.year, first.month)


def _year(value: object) -> DateRange:
    if type(value) is not int or not FIRST_DAY.year <= value <= LAST_DAY.year:
        raise ValueError("not a year")
    return in_year(value)
