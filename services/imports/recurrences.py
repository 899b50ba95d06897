"""From the events of one UID to single stays: times in UTC, recurrence spread out, ids that last.

RFC 5545 recurrence is the business of `recurring_ical_events`; here its limits are kept (a bounded
window, no rule that repeats within a day), and each instance gets an id that is the same in the
next export: the UID, and within a series the instance's original start.
"""

import hashlib
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events
from icalendar.timezone import tzp

from services.imports.cells import shown
from services.imports.rows import CellError
from spa_ops.kernel.intervals import Period, at_local

# The library types a property as a union of every kind of value; which it is, is checked here.
Event = Any

#: House policy: no stay is longer; what is longer is a closed day or a slip.
LONGEST_HOURS = 14
_LONGEST_UID = 250
_HEAD = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//spa-operations//import//EN\r\n"
_TIMES = {"DTSTART", "DTEND", "DURATION", "RECURRENCE-ID", "RRULE", "RDATE", "EXDATE"}
_FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
_WITHIN_A_DAY = ("BYHOUR", "BYMINUTE", "BYSECOND")
# A moved instance can come from outside the window; what is too much is filtered afterwards.
_MARGIN = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What a group is read against: the location's zone, the window, and the calendar's own words.

    `display_zone` is the zone in which series that start in UTC repeat by the wall clock, where
    the calendar names one; `cancels` says that the whole calendar calls its events off.
    """

    zone: str
    window: Period
    codec: str = "utf-8"
    display_zone: str = ""
    cancels: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One event, or one instance of a series; `clock` is "UTC", "floating" or the named zone."""

    line: int
    external_id: str
    starts_at: datetime
    ends_at: datetime
    clock: str
    is_cancelled: bool
    event: Event
    notes: tuple[str, ...] = ()


class NotAVisit(Exception):
    """The group is a whole-day entry, such as a holiday: passed over and counted."""


def learn_zones(components: Sequence[bytes]) -> list[str]:
    """Make the calendar's own zone definitions known and say which could not be read.

    The library keeps definitions by name for the whole process, the first one wins: so what an
    earlier file defined is forgotten here.
    """
    tzp.use_default()
    failed: list[str] = []
    for raw in components:
        try:
            icalendar.Timezone.from_ical(raw.decode("utf-8", "replace"))
        except (ValueError, KeyError, TypeError, AttributeError, IndexError):
            lines = raw.decode("utf-8", "replace").splitlines()
            failed += [line for line in lines if line.upper().startswith("TZID")] or ["a zone"]
    return failed


def instances(group: Sequence[tuple[int, bytes]], frame: Frame) -> Iterator[Instance]:
    """The group's instances that start in the window, in order of start.

    Raises CellError for what cannot be read, NotAVisit for whole days.
    """
    events = [(line, _parsed(raw, frame.codec)) for line, raw in group]
    for _, event in events:
        _demand_times(event)
    masters = [pair for pair in events if "RECURRENCE-ID" not in pair[1]]
    changed = [pair for pair in events if "RECURRENCE-ID" in pair[1]]
    notes: list[str] = []
    if len(masters) > 1:
        masters = [_latest(masters, notes)]
    if not changed and not _recurs(masters[0][1]):
        line, event = masters[0]
        found = _instance(line, event, _uid(event), frame, notes)
        if _starts_inside(found, frame.window):
            yield found
        return
    yield from _series(masters, changed, frame, notes)


def _parsed(raw: bytes, codec: str) -> Event:
    try:
        text = raw.decode("utf-8" if codec == "utf-8-sig" else codec)
        with warnings.catch_warnings():
            # A zone named by a path is told apart by its end; the report lists the zones as named.
            warnings.simplefilter("ignore")
            event = icalendar.Event.from_ical(text)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise CellError(
            "event-unreadable",
            f"The event cannot be read ({error}). Correct it, or delete it from the file.",
        )
    if not isinstance(event, icalendar.Event):
        raise CellError(
            "event-unreadable", "The event is not well-formed. Correct it, or delete it."
        )
    return event


def _demand_times(event: Event) -> None:
    if "DTSTART" not in event:
        raise CellError("start-missing", "The event has no DTSTART. Give it a start.")
    for name, value in list(event.property_items(recursive=False, sorted=False)):
        if not isinstance(value, icalendar.vBroken):
            continue
        if name in _TIMES:
            raise CellError(
                "time-unreadable",
                f"{name} is {shown(str(value))}, which cannot be read. Write times as"
                " YYYYMMDDTHHMMSS and rules as RFC 5545 has them.",
            )
        # What has no bearing on the time is not worth losing a visit over.
        event.pop(name, None)
    if not isinstance(event["DTSTART"].dt, datetime):
        raise NotAVisit
    for name in ("DTSTART", "DTEND", "RECURRENCE-ID"):
        if name in event:
            _demand_zone(name, event[name])


def _demand_zone(name: str, value: Any) -> None:
    """A zone that is not known leaves a time without zone, which would pass for floating."""
    named = value.params.get("TZID")
    if named and isinstance(value.dt, datetime) and value.dt.tzinfo is None:
        raise CellError(
            "zone-unknown",
            f"{name} is in the zone {shown(str(named))}, which the file does not define. Use an"
            " IANA name such as America/Chicago, or add its VTIMEZONE.",
        )


def _latest(masters: Sequence[tuple[int, Event]], notes: list[str]) -> tuple[int, Event]:
    """The newest of several events with one UID (RFC 5545: the highest SEQUENCE, then DTSTAMP)."""
    ranked = sorted(masters, key=lambda pair: _revision(pair[1]))
    best, second = ranked[-1], ranked[-2]
    alike = best[1].to_ical() == second[1].to_ical()
    if _revision(best[1]) == _revision(second[1]) and not alike:
        raise CellError(
            "uid-twice",
            f"Different events in lines {second[0]} and {best[0]} share one UID. Give one of them"
            " another UID, or delete it.",
        )
    notes.append(f"uid-repeated: it stands {len(masters)} times in the file; the newest was taken.")
    return best


def _revision(event: Event) -> tuple[int, str]:
    sequence = event.get("SEQUENCE", 0)
    stamp = event.get("DTSTAMP")
    return int(sequence), stamp.to_ical().decode() if stamp else ""


def _recurs(event: Event) -> bool:
    return "RRULE" in event or "RDATE" in event


def _series(
    masters: Sequence[tuple[int, Event]],
    changed: Sequence[tuple[int, Event]],
    frame: Frame,
    notes: list[str],
) -> Iterator[Instance]:
    for _, event in (*masters, *changed):
        _demand_days(event)
    lines = {_stamp(event["RECURRENCE-ID"].dt): line for line, event in changed}
    first_line = masters[0][0] if masters else changed[0][0]
    found: list[Instance] = []
    for event in _spread([event for _, event in (*masters, *changed)], frame):
        original = _original_start(event, changed)
        line = lines.get(_stamp(event["RECURRENCE-ID"].dt), first_line)
        external_id = f"{_uid(event)}/{_stamp(original)}"
        found.append(_instance(line, event, external_id, frame, notes))
    for instance in sorted(found, key=lambda one: (one.starts_at, one.external_id)):
        if _starts_inside(instance, frame.window):
            yield instance


def _demand_days(event: Event) -> None:
    """Refuse rules that repeat within a day or not at all: spread out they have no end."""
    rules = event.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        frequency = str(rule.get("FREQ", [""])[0]).upper()
        often = any(len(rule.get(part, [])) > 1 for part in _WITHIN_A_DAY)
        stands_still = any(step < 1 for step in rule.get("INTERVAL", [1]))
        if often or stands_still or frequency not in _FREQUENCIES:
            raise CellError(
                "rule-unreadable",
                f"The RRULE {shown(_text(rule))} does not repeat by days, weeks, months or years."
                " Correct it, or enter the visits one by one.",
            )


def _spread(events: Sequence[Event], frame: Frame) -> list[Event]:
    """The instances around the window, each with its RECURRENCE-ID."""
    head = _HEAD
    if frame.display_zone and events[0]["DTSTART"].dt.tzinfo is not None:
        head += f"X-WR-TIMEZONE:{frame.display_zone}\r\n".encode()
    calendar = icalendar.Calendar.from_ical(head + b"END:VCALENDAR\r\n")
    calendar.subcomponents.extend(events)
    try:
        found: list[Event] = recurring_ical_events.of(calendar).between(
            frame.window.start - _MARGIN, frame.window.end + _MARGIN
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
        raise CellError(
            "rule-unreadable",
            f"The series cannot be spread out ({error}). Correct its rule, or enter the visits one"
            " by one.",
        )
    return found


def _original_start(event: Event, changed: Sequence[tuple[int, Event]]) -> date:
    """When the instance would start had nothing been changed.

    An instance that follows a change for "this and future" carries the RECURRENCE-ID of that
    change, so its own is worked out from the shift.
    """
    stated: date = event["RECURRENCE-ID"].dt
    for _, change in changed:
        recurrence = change["RECURRENCE-ID"]
        if recurrence.params.get("RANGE") == "THISANDFUTURE" and recurrence.dt == stated:
            shift = change["DTSTART"].dt - recurrence.dt
            original: date = event["DTSTART"].dt - shift
            return original
    return stated


def _instance(
    line: int, event: Event, external_id: str, frame: Frame, notes: Sequence[str]
) -> Instance:
    starts_at, ends_at = _times(event, frame.zone)
    if ends_at <= starts_at:
        raise CellError("length-missing", "The event has no length. Give it a DTEND.")
    if ends_at - starts_at > timedelta(hours=LONGEST_HOURS):
        raise CellError(
            "too-long",
            f"The event lasts more than {LONGEST_HOURS} hours. Correct its end, or delete it if it"
            " is no visit.",
        )
    status = _text(event.get("STATUS", "")).upper()
    return Instance(
        line=line,
        external_id=external_id,
        starts_at=starts_at,
        ends_at=ends_at,
        clock=_clock(event["DTSTART"]),
        is_cancelled=frame.cancels or status == "CANCELLED",
        event=event,
        notes=(*notes, *_clock_change_notes(event["DTSTART"].dt, frame.zone)),
    )


def _times(event: Event, zone: str) -> tuple[datetime, datetime]:
    starts_at = _utc(event["DTSTART"].dt, zone)
    if "DTEND" in event:
        return starts_at, _utc(event["DTEND"].dt, zone)
    length = getattr(event.get("DURATION"), "dt", timedelta(0))
    return starts_at, starts_at + length


def _utc(moment: date, zone: str) -> datetime:
    """The instant; floating times and whole days are the wall clock of `zone`."""
    if not isinstance(moment, datetime):
        return at_local(moment, datetime.min.time(), zone)
    if moment.tzinfo is None:
        return at_local(moment.date(), moment.time(), zone)
    return moment.astimezone(UTC)


def _clock(start: Any) -> str:
    if start.dt.tzinfo is None:
        return "floating"
    return str(start.params.get("TZID") or start.dt.tzname() or "UTC")


def _clock_change_notes(start: datetime, zone: str) -> Iterator[str]:
    """A note where the wall time does not exist or exists twice (RFC 5545 section 3.3.5)."""
    clock: tzinfo = start.tzinfo or ZoneInfo(zone)
    wall = start.replace(tzinfo=clock)
    back = wall.astimezone(UTC).astimezone(clock)
    if back.replace(tzinfo=None) != wall.replace(tzinfo=None):
        yield f"hour-missing: {wall:%H:%M} does not exist on that day; read as {back:%H:%M}."
    elif wall.utcoffset() != wall.replace(fold=1).utcoffset():
        yield f"hour-doubled: {wall:%H:%M} exists twice on that day; the first was taken."


def _starts_inside(instance: Instance, window: Period) -> bool:
    return window.start <= instance.starts_at < window.end


def _uid(event: Event) -> str:
    """The UID; RFC 5545 demands one, and where it is missing the content stands in for it."""
    uid = _text(event.get("UID", "")).strip()
    if len(uid) > _LONGEST_UID:
        return f"long-uid-{hashlib.blake2b(uid.encode(), digest_size=16).hexdigest()}"
    if uid:
        return uid
    kept = ("DTSTART", "DTEND", "DURATION", "SUMMARY", "LOCATION")
    text = "|".join(_text(event[name]) if name in event else "" for name in kept)
    return f"without-uid-{hashlib.blake2b(text.encode(), digest_size=16).hexdigest()}"


def _text(value: Any) -> str:
    """A property's value as it stands in the file."""
    if isinstance(value, str):
        return str(value)
    return str(value.to_ical().decode("utf-8", "replace"))


def _stamp(moment: date) -> str:
    """A start for an external id: UTC with Z, floating without, a whole day as a date."""
    if not isinstance(moment, datetime):
        return moment.strftime("%Y%m%d")
    if moment.tzinfo is None:
        return moment.strftime("%Y%m%dT%H%M%S")
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
