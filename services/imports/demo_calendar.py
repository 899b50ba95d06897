"""Six invented weeks in the rooms of one location as a calendar file, with the mess of real ones."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from services.imports.demo_business import LAKESIDE, SERVICES, DemoPerson, DemoRoom, DemoService
from services.imports.demo_people import DemoClient, pick

#: Weeks before and after the week of the start Monday.
WEEKS_BEFORE, WEEKS_AFTER = 2, 3
_ZONE = ZoneInfo(LAKESIDE.zone)
_OPENS, _CLOSES = time(9, 0), time(18, 0)
# Every Tuesday begins with the same client at 9:10; the day's other visits follow from 10:00.
_SERIES_AT, _AFTER_SERIES, _SERIES_BY, _TUESDAY = time(9, 10), time(10, 0), "Sunniva Lumackle", 1
_HOST = "tamsinwold.example"

# The rules in force since 2007, as RFC 5545 section 3.6.5 writes them.
_VTIMEZONE = """BEGIN:VTIMEZONE
TZID:{name}
BEGIN:STANDARD
DTSTART:20071104T020000
RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU
TZOFFSETFROM:-0500
TZOFFSETTO:-0600
TZNAME:CST
END:STANDARD
BEGIN:DAYLIGHT
DTSTART:20070311T020000
RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU
TZOFFSETFROM:-0600
TZOFFSETTO:-0500
TZNAME:CDT
END:DAYLIGHT
END:VTIMEZONE"""
OWN_ZONE = "Lakeside wall clock"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoVisit:
    """One planned stay; `start` and `end` are the wall clock while the client is in the room."""

    number: int
    start: datetime
    minutes: int
    client: DemoClient
    services: tuple[DemoService, ...]
    room: DemoRoom
    practitioner: DemoPerson

    @property
    def end(self) -> datetime:
        return self.start + timedelta(minutes=self.minutes)


def demo_visits(clients: Sequence[DemoClient], monday: date, seed: int) -> list[DemoVisit]:
    """Visits without clashes for six weeks around the week of `monday`.

    A visit lasts for one consultation, the hands-on times of its lines and one aftercare; before
    it there is room for the longest set-up of its lines and behind it for the longest clean-up.
    The last of `clients` is kept for the series.
    """
    rng = Random(seed + 3)  # noqa: S311 - invented visits, not secrets
    found: list[DemoVisit] = []
    for day in range(-7 * WEEKS_BEFORE, 7 * (WEEKS_AFTER + 1)):
        on = monday + timedelta(days=day)
        working = [p for p in LAKESIDE.team if on.weekday() in p.weekdays and not p.walk_in]
        guests = iter(_shuffled(rng, clients[:-1]))
        for practitioner, room in zip(working, _rooms_for(working), strict=False):
            for start, lines in _room_day(rng, on, practitioner, room):
                visit = DemoVisit(
                    number=len(found) + 1,
                    start=start,
                    minutes=_minutes(lines),
                    client=next(guests),
                    services=lines,
                    room=room,
                    practitioner=practitioner,
                )
                found.append(visit)
    return found


def _rooms_for(working: Sequence[DemoPerson]) -> list[DemoRoom]:
    """A room for each: who can do facials goes where there is no wax heater."""
    rooms = [room for room in LAKESIDE.rooms if not room.walk_in]
    heated = [room for room in rooms if "wax heater" in room.features]
    cool = [room for room in rooms if room not in heated]
    found: list[DemoRoom] = []
    for person in working:
        wants_cool = "facials" in person.skills and cool
        found.append((cool if wants_cool or not heated else heated).pop(0))
    return found


def _shuffled(rng: Random, clients: Sequence[DemoClient]) -> list[DemoClient]:
    return sorted(clients, key=lambda _client: rng.random())


def _room_day(
    rng: Random, on: date, practitioner: DemoPerson, room: DemoRoom
) -> Iterator[tuple[datetime, tuple[DemoService, ...]]]:
    """One practitioner's day in one room: each stay's start and lines."""
    fitting = [
        s
        for s in SERVICES
        if s.skill in practitioner.skills and set(s.features) <= {*room.features}
    ]
    in_series = practitioner.name == _SERIES_BY and on.weekday() == _TUESDAY
    free_from = datetime.combine(on, _AFTER_SERIES if in_series else _OPENS)
    closes = datetime.combine(on, _CLOSES)
    while True:
        lines = _lines(rng, fitting)
        start = free_from + timedelta(minutes=max(s.minutes[0] for s in lines))
        start += timedelta(minutes=-start.minute % 5 + 5 * int(rng.random() * 5))
        clean_up = max(s.minutes[4] for s in lines)
        free_from = start + timedelta(minutes=_minutes(lines) + clean_up)
        if free_from > closes:
            return
        yield start, lines


def _minutes(lines: Sequence[DemoService]) -> int:
    """What the client sees: one consultation, the hands-on times, one aftercare."""
    hands_on = sum(s.minutes[2] for s in lines)
    return max(s.minutes[1] for s in lines) + hands_on + max(s.minutes[3] for s in lines)


def _lines(rng: Random, fitting: Sequence[DemoService]) -> tuple[DemoService, ...]:
    """One service, or up to three short ones on different areas that use one kit."""
    first = fitting[int(rng.random() * len(fitting))]
    lines = [first]
    for other in fitting:
        wanted = len(lines) < 3 and first.minutes[2] <= 20 and rng.random() < 0.3
        if wanted and other.kit == first.kit and other.area not in {s.area for s in lines}:
            lines.append(other)
    return tuple(lines)


def visits_ics(visits: Sequence[DemoVisit], regular: DemoClient, monday: date, seed: int) -> bytes:
    """The calendar: TZID, UTC and floating times, a series, cancelled entries, and some slips.

    `regular` is the client of the series.
    """
    rng = Random(seed + 4)  # noqa: S311
    stamp = datetime.combine(monday, time(6, 0), UTC) - timedelta(days=1)
    out = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:-//{_HOST}//invented demo//EN"]
    out.append(_VTIMEZONE.format(name=LAKESIDE.zone))
    out.append(_VTIMEZONE.format(name=OWN_ZONE))
    for visit in visits:
        out += _event(rng, visit, stamp)
        if visit.number % 19 == 0:
            out += _called_off(rng, visit, stamp)
    out += _series(regular, monday, stamp)
    out += _slips(visits, monday, stamp)
    out.append("END:VCALENDAR")
    lines = "\n".join(out).split("\n")
    return b"".join(_folded(line) for line in lines)


def _event(rng: Random, visit: DemoVisit, stamp: datetime) -> list[str]:
    chance = rng.random()
    lines = [
        "BEGIN:VEVENT",
        f"UID:visit-{visit.number:04d}@{_HOST}",
        f"DTSTAMP:{_utc(stamp)}",
        *_times(chance, visit.start, visit.end),
        *_who_and_what(rng, visit),
    ]
    if visit.client.notes and rng.random() < 0.5:
        lines.append(f"DESCRIPTION:{_escaped(visit.client.notes)}")
    if rng.random() < 0.2:
        lines += [
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            "TRIGGER:-PT30M",
            "DESCRIPTION:soon",
            "END:VALARM",
        ]
    return [*lines, "END:VEVENT"]


def _times(chance: float, start: datetime, end: datetime) -> list[str]:
    """Mostly the named zone, now and then UTC, floating, or a zone that the file itself defines."""
    if chance < 0.06:
        both = [_utc(moment.replace(tzinfo=_ZONE)) for moment in (start, end)]
        return [f"DTSTART:{both[0]}", f"DTEND:{both[1]}"]
    if chance < 0.09:
        minutes = int((end - start).total_seconds()) // 60
        return [f"DTSTART:{start:%Y%m%dT%H%M%S}", f"DURATION:PT{minutes}M"]
    zone = OWN_ZONE if chance < 0.11 else LAKESIDE.zone
    name = f'"{zone}"' if " " in zone else zone
    return [f"DTSTART;TZID={name}:{start:%Y%m%dT%H%M%S}", f"DTEND;TZID={name}:{end:%Y%m%dT%H%M%S}"]


def _who_and_what(rng: Random, visit: DemoVisit) -> list[str]:
    """The same facts in the three ways in which calendars have them."""
    client, person, room = visit.client, visit.practitioner, visit.room
    services = [s.name for s in visit.services]
    chance = rng.random()
    if chance < 0.5:
        return [
            f"SUMMARY:{_escaped(' + '.join(services))} - {client.name}",
            f'ATTENDEE;CN="{client.name}";ROLE=REQ-PARTICIPANT:{_address(client)}',
            f'ATTENDEE;CN="{person.name}";ROLE=CHAIR:mailto:{person.email}',
            f"LOCATION:{room.name}",
        ]
    if chance < 0.8:
        return [
            f"SUMMARY:{client.name.upper() if rng.random() < 0.2 else client.name}",
            f"CATEGORIES:{','.join(_escaped(name) for name in services)}",
            f'ORGANIZER;CN="{person.name}":mailto:{person.email}',
            f'ATTENDEE;CUTYPE=ROOM;CN="{room.name}":urn:x-room:{room.name.split()[0].lower()}',
            f'ATTENDEE;CN="{client.name}":{_address(client)}',
        ]
    return [
        f"SUMMARY:{client.name}: {_escaped(', '.join(services))} ({person.name})",
        f"RESOURCES:{room.name}",
    ]


def _address(client: DemoClient) -> str:
    if client.email:
        return f"mailto:{client.email}"
    return f"tel:+1{client.phone}"


def _called_off(rng: Random, visit: DemoVisit, stamp: datetime) -> list[str]:
    """An entry for the same hour that was cancelled before this visit took its place."""
    return [
        "BEGIN:VEVENT",
        f"UID:gone-{visit.number:04d}@{_HOST}",
        f"DTSTAMP:{_utc(stamp)}",
        "STATUS:CANCELLED",
        *_times(0.5, visit.start, visit.end),
        f"SUMMARY:{pick(rng, ('Cancelled', 'cancelled by phone', 'moved, see other day'))}",
        "END:VEVENT",
    ]


def _series(client: DemoClient, monday: date, stamp: datetime) -> list[str]:
    """A brow tint on Tuesdays, once left out and once ten minutes later."""
    first = datetime.combine(monday + timedelta(days=_TUESDAY - 7 * WEEKS_BEFORE), _SERIES_AT)
    left_out, moved = first + timedelta(days=14), first + timedelta(days=28)
    zone = LAKESIDE.zone
    common = [
        f"UID:tuesdays@{_HOST}",
        f"DTSTAMP:{_utc(stamp)}",
        f"SUMMARY:Brow tint - {client.name}",
        f'ATTENDEE;CN="{client.name}":{_address(client)}',
        f'ORGANIZER;CN="{_SERIES_BY}":mailto:{_email(_SERIES_BY)}',
        "LOCATION:Heron Room",
    ]
    return [
        "BEGIN:VEVENT",
        *common,
        *_times(0.5, first, first + timedelta(minutes=25)),
        "RRULE:FREQ=WEEKLY;COUNT=6",
        f"EXDATE;TZID={zone}:{left_out:%Y%m%dT%H%M%S}",
        "END:VEVENT",
        "BEGIN:VEVENT",
        *common,
        f"RECURRENCE-ID;TZID={zone}:{moved:%Y%m%dT%H%M%S}",
        *_times(0.5, moved + timedelta(minutes=10), moved + timedelta(minutes=35)),
        "END:VEVENT",
    ]


def _slips(visits: Sequence[DemoVisit], monday: date, stamp: datetime) -> list[str]:
    """What has to be corrected by hand, and what is no visit."""
    sunday = monday + timedelta(days=6)
    late = datetime.combine(monday + timedelta(days=2), time(19, 0))
    times = _times(0.5, late, late + timedelta(minutes=30))
    known, person = visits[3].client, LAKESIDE.team[0]
    who = f'ATTENDEE;CN="{person.name}":mailto:{person.email}'

    def slip(name: str, *lines: str) -> list[str]:
        head = ["BEGIN:VEVENT", f"UID:{name}@{_HOST}", f"DTSTAMP:{_utc(stamp)}"]
        return [*head, *lines, "END:VEVENT"]

    return [
        *slip("nobody", *times, "SUMMARY:Brow wax - Nobody Wehave", who, "LOCATION:Fern Room"),
        *slip("nothing", *times, f"SUMMARY:Brow waxx - {known.name}", who, "LOCATION:Fern Room"),
        *slip("nowhere", *times, f"SUMMARY:Brow wax - {known.name}", who, "LOCATION:Cellar"),
        *slip("endless", times[0], f"SUMMARY:Brow wax - {known.name}", who, "LOCATION:Fern Room"),
        *slip("closed", f"DTSTART;VALUE=DATE:{sunday:%Y%m%d}", "SUMMARY:Closed\\, deep clean"),
        "BEGIN:VTODO",
        f"UID:order@{_HOST}",
        f"DTSTAMP:{_utc(stamp)}",
        "SUMMARY:Order cotton",
        "END:VTODO",
    ]


def _email(name: str) -> str:
    return next(person.email for person in LAKESIDE.team if person.name == name)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> bytes:
    """A content line of at most 75 octets a piece (RFC 5545 section 3.1), ended by CRLF.

    Cut by octets as many programs do, in the middle of a letter too.
    """
    raw = line.encode()
    parts = [raw[:75]] + [raw[at : at + 74] for at in range(75, len(raw), 74)]
    return b"\r\n ".join(parts) + b"\r\n"
