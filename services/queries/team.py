"""Reads of who may do what, and who works when. All times are instants; shifts are kept as wall times."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q

from services.models import Duty, Shift, ShiftDay, Skill
from services.rules.shifts import OneDay, Weekly, covers, walls_of
from spa_ops.claims.models import Bookable
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnShift:
    """One person's working time, from one shift."""

    shift_id: UUID
    person_id: UUID
    duty: Duty
    period: Period


def has_skill(person_id: UUID, service_id: UUID, at: datetime) -> bool:
    """Whether the person may perform the service at that moment."""
    running = Q(ended_at=None) | Q(ended_at__gt=at)
    return Skill.objects.filter(running, person_id=person_id, service_id=service_id).exists()


def shifts_on(location_id: UUID, day: date) -> list[OnShift]:
    """Who begins work at a location on that local day, by time and person. One statement."""
    rows = Shift.objects.filter(location_id=location_id, weekday=day.weekday())
    found = [
        OnShift(shift_id=row.id, person_id=row.person_id, duty=Duty(row.duty), period=period)
        for row in rows.select_related("location")
        if (period := weekly(row).on(day)) is not None
    ]
    return sorted(found, key=lambda one: (one.period, one.person_id, one.shift_id))


def on_shift(
    person_id: UUID, location_id: UUID, period: Period, duty: Duty = Duty.PRACTITIONER
) -> bool:
    """Whether the person's shifts of that duty at the location cover all of `period`. One statement."""
    rows = Shift.objects.filter(person_id=person_id, location_id=location_id, duty=duty)
    return covers(map(weekly, _near(rows, period)), period)


def attendants_on_shift(location_id: UUID, period: Period) -> list[UUID]:
    """The attendants whose shifts cover all of `period`, always in the same order. One statement."""
    rows = Shift.objects.filter(location_id=location_id, duty=Duty.ATTENDANT)
    by_person: dict[UUID, list[Weekly]] = defaultdict(list)
    for row in _near(rows, period):
        by_person[row.person_id].append(weekly(row))
    return sorted(who for who, shifts in by_person.items() if covers(shifts, period))


def _near(rows: Any, period: Period) -> Iterable[Shift]:
    # A local day may lie a day off the UTC one: narrow by dates roughly, and let the rules decide.
    running = Q(valid_until=None) | Q(valid_until__gte=period.start.date() - 2 * _DAY)
    near: Iterable[Shift] = rows.filter(running).select_related("location")
    return near


def weekly(shift: Shift) -> Weekly:
    """A shift as the rules take it; its location must be loaded."""
    return Weekly(
        weekday=shift.weekday,
        starts=shift.starts,
        ends=shift.ends,
        valid_from=shift.valid_from,
        valid_until=shift.valid_until,
        zone=shift.location.zone,
        breaks=walls_of(shift.breaks),
    )


def one_day(row: ShiftDay) -> OneDay:
    """A day worked otherwise, as the rules take it; its location must be loaded."""
    return OneDay(day=row.on, spans=walls_of(row.spans), zone=row.location.zone)


def days_of(person_id: UUID) -> list[ShiftDay]:
    """The days that a person works otherwise, at all locations, with the location."""
    rows = ShiftDay.objects.filter(person_id=person_id, withdrawn_at=None)
    return list(rows.select_related("location"))


def shifts_of(person_id: UUID) -> list[Shift]:
    """Every shift of a person that ever ran or will, at all locations, with the location."""
    return list(Shift.objects.filter(person_id=person_id).select_related("location"))


def roles_in_reach(person_id: UUID, actor: Actor, at: datetime) -> set[Role]:
    """The roles that a person holds at that moment within the actor's reach; raises `NotFound` for none.

    A role at all locations is within everybody's.
    """
    held = tenancy.memberships(person_id, at)
    found = {Role(m.role) for m in held if m.location_id is None or actor.covers(m.location_id)}
    if not found:
        raise NotFound
    return found


def is_bookable(person_id: UUID) -> bool:
    """Whether plans can take this person's time already."""
    return Bookable.objects.filter(id=person_id).exists()
