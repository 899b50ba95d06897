"""Recurring visits: a rule of RFC 5545, section 3.3.10, spread out in a place's wall time. Pure.

`dateutil` spreads it; here its bounds are kept. In one thing the standard is not followed: a wall
time that the clocks skip is not left out but means what `kernel.intervals.at_local` says, and is
counted, for nobody's fourth visit may vanish without a word.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr

from spa_ops.kernel.intervals import at_local
from spa_ops.kernel.problems import InvalidInput, invalid

#: A visit every other week for a year, and a year with a margin: house policy.
MOST_OCCURRENCES, MOST_DAYS = 26, 400
FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY")
PARTS = ("FREQ", "INTERVAL", "BYDAY", "BYMONTHDAY", "BYSETPOS", "COUNT", "UNTIL")
_DAY = re.compile(r"([+-]?[1-5])?(MO|TU|WE|TH|FR|SA|SU)")


class WallTime(StrEnum):
    """What the clock on the wall makes of an occurrence."""

    ONCE = "once"
    #: The clocks go back over it; the first of the two is meant.
    TWICE = "twice"
    #: The clocks skip it; it is as many minutes later as the clocks skip.
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One start that the rule gives; `on` is the local day."""

    on: date
    starts_at: datetime
    wall_time: WallTime


def occurrences(text: str, starts_at: datetime, zone: str) -> list[Occurrence]:
    """Every start of the rule from `starts_at` (its DTSTART, itself an occurrence) on, in order.

    Raises `InvalidInput` naming the part for a rule that is not well-formed, has another part than
    `PARTS`, no COUNT and no UNTIL, or goes beyond `MOST_OCCURRENCES` or `MOST_DAYS`; and for a start
    that is no occurrence of it.
    """
    parts = _parts(text)
    if not 1990 <= starts_at.year < 2190:
        raise invalid("/lines/0/starts_at", "must be a time that visits are planned for")
    first = starts_at.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)
    if first.second or first.microsecond:
        raise invalid("/lines/0/starts_at", "must be a whole minute")
    if at_local(first.date(), first.time(), zone) != starts_at:
        raise invalid("/lines/0/starts_at", "exists twice that day; the first of the two is meant")
    until = _until(parts, starts_at)
    count = int(parts.get("COUNT", MOST_OCCURRENCES + 1))
    end = first + timedelta(days=MOST_DAYS)
    repeated = ";".join(f"{k}={v}" for k, v in parts.items() if k not in {"COUNT", "UNTIL"})
    found: list[Occurrence] = []
    for wall in rrulestr(f"{repeated};UNTIL={end:%Y%m%dT%H%M%S}", dtstart=first):
        at = at_local(wall.date(), wall.time(), zone)
        if len(found) == count or (until is not None and at > until):
            break
        found.append(Occurrence(on=wall.date(), starts_at=at, wall_time=_shown(wall, at, zone)))
        if len(found) > MOST_OCCURRENCES:
            raise _wrong("COUNT" if "COUNT" in parts else "UNTIL",
                         f"gives more than {MOST_OCCURRENCES} visits")  # fmt: skip
    if not found or found[0].starts_at != starts_at:
        raise invalid("/lines/0/starts_at", "must itself be a time that the rule gives")
    if until is None and len(found) < count:
        raise _wrong("COUNT", f"leads further ahead than {MOST_DAYS} days")
    return found


def skipped_months(text: str, starts_at: datetime, zone: str) -> list[date]:
    """The first days of the months in which a monthly rule gives nothing, such as a 31st: in order.

    Up to its last occurrence, or to UNTIL. The standard leaves such a month out (RFC 5545, 3.3.10);
    whoever reads the preview has to hear of it. Raises what `occurrences` raises.
    """
    parts, found = _parts(text), occurrences(text, starts_at, zone)
    if parts["FREQ"] != "MONTHLY":
        return []
    last, until = found[-1].on, _until(parts, starts_at)
    if until is not None:
        # A month that UNTIL cuts short may have been left out for that.
        end = until.astimezone(ZoneInfo(zone)).date() + timedelta(days=1)
        last = max(last, end.replace(day=1) - timedelta(days=1))
    there = {(o.on.year, o.on.month) for o in found}
    month, step, missing = found[0].on.replace(day=1), int(parts.get("INTERVAL", 1)), []
    while month <= last:
        if (month.year, month.month) not in there:
            missing.append(month)
        ahead = month.year * 12 + month.month - 1 + step
        month = date(ahead // 12, ahead % 12 + 1, 1)
    return missing


def _shown(wall: datetime, at: datetime, zone: str) -> WallTime:
    if at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) != wall:
        return WallTime.SKIPPED
    later = wall.replace(tzinfo=ZoneInfo(zone), fold=1).astimezone(UTC)
    return WallTime.ONCE if later == at else WallTime.TWICE


def _wrong(part: str, message: str) -> InvalidInput:
    return invalid("/rule", f"{part} {message}")


def _parts(text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for piece in text.upper().split(";"):
        name, equals, value = piece.partition("=")
        if not equals or not value:
            raise invalid("/rule", "must be parts such as FREQ=WEEKLY;INTERVAL=4;COUNT=6")
        if name not in PARTS:
            raise _wrong(name[:20], f"is not known here; only {', '.join(PARTS)} are")
        if name in found:
            raise _wrong(name, "stands twice")
        found[name] = value
    if found.get("FREQ") not in FREQUENCIES:
        raise _wrong("FREQ", f"must be one of {', '.join(FREQUENCIES)}")
    if ("COUNT" in found) == ("UNTIL" in found):
        raise invalid("/rule", "must have either COUNT or UNTIL")
    _numbers(found, "INTERVAL", MOST_DAYS)
    _numbers(found, "COUNT", MOST_OCCURRENCES)
    _numbers(found, "BYMONTHDAY", 31, many=True, negative=True)
    _numbers(found, "BYSETPOS", 31, many=True, negative=True)
    _check_together(found)
    return found


def _numbers(
    parts: dict[str, str], name: str, most: int, *, many: bool = False, negative: bool = False
) -> None:
    if name not in parts:
        return
    texts = parts[name].split(",") if many else [parts[name]]
    sign = "[+-]?" if negative else ""
    if not all(re.fullmatch(rf"{sign}[0-9]{{1,3}}", t) and 1 <= abs(int(t)) <= most for t in texts):
        raise _wrong(name, f"must be 1 to {most}" + (f", or -1 to -{most}" if negative else ""))


def _check_together(parts: dict[str, str]) -> None:
    """Which parts may stand beside which, by the table of RFC 5545, section 3.3.10."""
    days = [_DAY.fullmatch(t) for t in parts["BYDAY"].split(",")] if "BYDAY" in parts else []
    if not all(days):
        raise _wrong("BYDAY", "must be days such as MO,TH or 2TU or -1FR")
    if parts["FREQ"] != "MONTHLY" and any(day and day[1] for day in days):
        raise _wrong("BYDAY", "has a number before the day only with FREQ=MONTHLY")
    if parts["FREQ"] == "WEEKLY" and "BYMONTHDAY" in parts:
        raise _wrong("BYMONTHDAY", "does not go with FREQ=WEEKLY")
    if "BYSETPOS" in parts and not {"BYDAY", "BYMONTHDAY"} & parts.keys():
        raise _wrong("BYSETPOS", "needs BYDAY or BYMONTHDAY")


def _until(parts: dict[str, str], starts_at: datetime) -> datetime | None:
    if "UNTIL" not in parts:
        return None
    # The standard: a start with a zone has its UNTIL in UTC.
    try:
        until = datetime.strptime(parts["UNTIL"], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        raise _wrong("UNTIL", "must be an instant in UTC such as 20270131T235959Z") from None
    if until > starts_at + timedelta(days=MOST_DAYS):
        raise _wrong("UNTIL", f"must be within {MOST_DAYS} days")
    return until
