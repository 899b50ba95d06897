"""What another time zone would do at a location, read and worked out. Reads only."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

import orjson

from compliance.disinfection.queries import windows
from rooms import queries as rooms
from rooms.models import Room
from rooms.rules.turnover import RoomState
from services.models import (
    Duty,
    Line,
    LineState,
    Rebooking,
    Series,
    SeriesVisit,
    Shift,
    ShiftDay,
    Visit,
    VisitState,
    WaitingEntry,
    WaitingState,
)
from services.queries import rebooking, team
from services.rules.reminders import RebookingState, remind_at
from services.rules.shifts import Worked, first_clash
from services.rules.zone_change import Changed, Clock, Coming, Part, changed, in_zone
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import check_zone, house_policy


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftClash:
    """Two shifts of one person that would overlap first at `at`: one here, one at another location."""

    person_id: UUID
    shift_id: UUID
    other_shift_id: UUID
    at: Period


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyRoom:
    """A ready room, and until when it is ready before and after."""

    room_id: UUID
    name: str
    before: datetime | None
    after: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class EndingSooner:
    """A bath that ends at a closing, where that comes sooner."""

    solution_id: UUID
    container: str
    before: datetime
    after: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneChange:
    """What would change. `shown` stands for everything that it was worked out from."""

    zone_before: str
    zone_after: str
    coming: int
    visits: list[Changed]
    shift_clashes: list[ShiftClash]
    rooms: list[ReadyRoom]
    baths: list[EndingSooner]
    #: (series, its rule, its coming visits): spread by the wall clock of then, and left where they are.
    series: list[tuple[UUID, str, int]]
    #: How many reminders are meant for an hour of the location's clock, and go out at that of the new one.
    reminders: int
    #: How many who wait named wall times: those are times of the new clock from then on.
    waiting: int
    shown: str


def coming_visits(location_id: UUID, now: datetime) -> list[Visit]:
    """The booked visits from now on, in order of time."""
    rows = Visit.objects.filter(
        location_id=location_id, state=VisitState.BOOKED, starts_at__gte=now
    )
    return list(rows.order_by("starts_at", "id"))


def shown(place: Location, zone: str, visits: Iterable[Visit]) -> str:
    """A digest of what a change to `zone` is worked out from. Two statements."""
    shifts = Shift.objects.filter(location_id=place.id).order_by("id")
    days = ShiftDay.objects.filter(location_id=place.id).order_by("id")
    known = [
        (place.id, place.version, zone),
        [(visit.id, visit.version) for visit in visits],
        list(shifts.values_list("id", "version")),
        list(days.values_list("id", "version")),
    ]
    return hashlib.sha256(orjson.dumps(known)).hexdigest()


def zone_change(*, actor: Actor, now: datetime, location_id: UUID, zone: str) -> ZoneChange:
    """What another zone would do to what is to come at a location; nothing is changed by it.

    Raises `NotFound`, and `InvalidInput` for what is no zone. The same statements however many visits.
    """
    place = tenancy.location(location_id, actor)
    check_zone(zone)
    there = copy(place)
    there.zone = zone
    visits = coming_visits(place.id, now)
    shifts = list(Shift.objects.filter(location_id=place.id).select_related("location"))
    before = _clock(place, shifts)
    after = replace(
        before,
        zone=zone,
        shifts={who: [in_zone(w, zone) for w in worked] for who, worked in before.shifts.items()},
    )
    return ZoneChange(
        zone_before=place.zone,
        zone_after=zone,
        coming=len(visits),
        visits=changed(_coming(visits), before, after),
        shift_clashes=_shift_clashes(place, shifts, zone),
        rooms=_ready_rooms(there, now),
        baths=_baths(there, now),
        reminders=len(reminders_by_the_clock(place, zone, now)),
        series=_series([visit.id for visit in visits]),
        waiting=WaitingEntry.objects.filter(
            location_id=place.id, state__in=[WaitingState.WAITING, WaitingState.OFFERED]
        ).exclude(times=[]).count(),
        shown=shown(place, zone, visits),
    )  # fmt: skip


def reminders_by_the_clock(
    place: Location, zone: str, now: datetime, *, lock: bool = False
) -> list[tuple[Rebooking, datetime]]:
    """The waiting reminders whose hour on `place`'s clock is to come, with its instant in `zone`; locked by id
    if `lock`.

    Clients with a zone of their own are reminded by that. One whose hour has come waits for another reason,
    and is decided by the clock that holds when that is over.
    """
    rows = Rebooking.objects.filter(location_id=place.id, state=RebookingState.WAITING)
    if lock:
        rows = rows.select_for_update(of=("self",), no_key=True)
    there = copy(place)
    there.zone = zone
    hours = rebooking.sending_hours(place, now)
    found = []
    for row in rows.select_related("client").order_by("id"):
        zones = (rebooking.client_zone(row.client, each) for each in (place, there))
        meant, then = (remind_at(row.rebook_on, each, hours) for each in zones)
        if then != meant > now:
            found.append((row, then))
    return found


def _clock(place: Location, shifts: list[Shift]) -> Clock:
    days = list(
        ShiftDay.objects.filter(location_id=place.id, withdrawn_at=None).select_related("location")
    )
    otherwise = defaultdict(set)
    for day in days:
        otherwise[day.person_id, day.duty].add(day.on)
    worked: dict[tuple[UUID, str], list[Worked]] = defaultdict(list)
    for shift in shifts:
        who = (shift.person_id, shift.duty)
        worked[who].append(replace(team.weekly(shift), not_on=frozenset(otherwise[who])))
    for day in days:
        worked[day.person_id, day.duty].append(team.one_day(day))
    return Clock(
        zone=place.zone,
        hours=place.opening_hours,
        holidays_of=house_policy(place.policies).closed_on_holidays_of,
        shifts=dict(worked),
    )


def _coming(visits: list[Visit]) -> list[Coming]:
    lines: dict[UUID, list[Line]] = defaultdict(list)
    rows = Line.objects.filter(visit_id__in=[visit.id for visit in visits])
    for line in rows.exclude(state=LineState.DROPPED).order_by("starts_at", "position"):
        lines[line.visit_id].append(line)
    return [
        Coming(
            id=visit.id,
            period=Period(own[0].starts_at, max(line.ends_at for line in own)),
            parts=tuple(part for line in own for part in _parts(line)),
        )
        for visit in visits
        if (own := lines[visit.id])
    ]


def _parts(line: Line) -> list[Part]:
    own, whole = line.practitioner_id, (line.unattended_at is None)
    spans = [
        (line.set_up_by, line.set_up_at, line.starts_at),
        (own, line.starts_at, line.ends_at if whole else line.unattended_at),
        *([] if whole else [(own, line.aftercare_at, line.ends_at)]),
        (line.turnover_by, line.ends_at, line.turnover_ends_at),
    ]
    return [
        Part(
            person_id=who,
            duty=Duty.PRACTITIONER if who == own else Duty.ATTENDANT,
            period=Period(start, end),
        )
        for who, start, end in spans
        if start < end
    ]


def _shift_clashes(place: Location, shifts: list[Shift], zone: str) -> list[ShiftClash]:
    people = {shift.person_id for shift in shifts}
    elsewhere: dict[UUID, list[Shift]] = defaultdict(list)
    rows = Shift.objects.filter(person_id__in=people).exclude(location_id=place.id)
    for other in rows.select_related("location"):
        elsewhere[other.person_id].append(other)
    found = []
    for shift in shifts:
        for other in elsewhere[shift.person_id]:
            at = first_clash(replace(team.weekly(shift), zone=zone), team.weekly(other))
            if at is not None:
                found.append(
                    ShiftClash(
                        person_id=shift.person_id,
                        shift_id=shift.id,
                        other_shift_id=other.id,
                        at=at,
                    )
                )
    return found


def _baths(there: Location, now: datetime) -> list[EndingSooner]:
    sooner = windows.ending_sooner(there, windows.running(there.id, now), now)
    return [
        EndingSooner(
            solution_id=row.id,
            container=row.container,
            before=row.discard_at,
            after=limits[0].ends_at,
        )
        for row, limits in sooner
    ]


def _ready_rooms(there: Location, now: datetime) -> list[ReadyRoom]:
    rows = Room.objects.filter(location_id=there.id, state=RoomState.READY).exclude(
        ready_until__lte=now
    )
    return [
        ReadyRoom(
            room_id=room.id,
            name=room.name,
            before=room.ready_until,
            after=rooms.ready_until(there, room.state_since),
        )
        for room in rows.order_by("name", "id")
    ]


def _series(visit_ids: list[UUID]) -> list[tuple[UUID, str, int]]:
    many: dict[UUID, int] = defaultdict(int)
    for one in SeriesVisit.objects.filter(visit_id__in=visit_ids).values_list("series_id", flat=True):  # fmt: skip
        many[one] += 1
    rows = Series.objects.filter(id__in=many).order_by("created_at", "id")
    return [(row.id, row.rule, many[row.id]) for row in rows]
