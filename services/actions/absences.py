"""Days worked otherwise than every week, and time for which a person, a room or a kit is away."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from uuid import UUID

from compliance.disinfection import queries as disinfection
from rooms import queries as rooms
from services.actions.team import (
    ATTENDS,
    FIRST_YEAR,
    LAST_YEAR,
    PERFORMS,
    check_walls,
    needs_role,
)
from services.models import Absence, Duty, ShiftDay
from services.queries import team as queries
from spa_ops.claims import actions as claims
from spa_ops.claims.models import Phase
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.unit.rows import put
from spa_ops.unit.work import action

#: House policy: more than a year away is another arrangement.
LONGEST = timedelta(days=366)


@action
def set_shift_day(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    person_id: UUID,
    on: date,
    spans: Sequence[Sequence[str]] = (),
    duty: Duty = Duty.PRACTITIONER,
) -> ShiftDay:
    """On one local day these wall times hold instead of the person's weekly shifts of that duty there.

    No spans: not at work. Setting it again replaces it. What is booked stays booked. Locks the
    person. Raises `NotFound`, `InvalidInput` also for spans that overlap other work of the person,
    `WrongState` for one without a role for that duty.
    """
    place = tenancy.location(location_id, actor)
    person = tenancy.locked(Person, person_id, actor)
    needs_role(person, actor, now, PERFORMS if duty == Duty.PRACTITIONER else ATTENDS)
    check_walls("/spans", spans)
    if not FIRST_YEAR <= on.year <= LAST_YEAR:
        raise invalid("/on", f"must lie in {FIRST_YEAR} to {LAST_YEAR}")
    row = ShiftDay.objects.filter(person=person, location=place, duty=duty, on=on).first()
    row = row or ShiftDay(
        id=uuid7(),
        business_id=actor.business_id,
        person=person,
        location=place,
        duty=duty,
        on=on,
    )
    row.spans, row.withdrawn_at = [list(span) for span in spans], None
    _check_elsewhere(row)
    put(row)
    return row


def _check_elsewhere(row: ShiftDay) -> None:
    here = (row.location_id, row.duty)
    others = [
        queries.weekly(shift)
        for shift in queries.shifts_of(row.person_id)
        if (shift.location_id, shift.duty) != here
    ]
    days = [
        queries.one_day(day) for day in queries.days_of(row.person_id) if (day.location_id, day.duty) != here
    ]  # fmt: skip
    for period in queries.one_day(row).periods:
        if any(other.is_on_within(period) for other in (*others, *days)):
            raise invalid("/spans", "the person works elsewhere or otherwise then", "overlaps")


@action
def withdraw_shift_day(*, actor: Actor, now: datetime, shift_day_id: UUID) -> ShiftDay:
    """The weekly shifts hold on that day again. Raises `NotFound`, `WrongState` when they do already,
    `InvalidInput` when the person works elsewhere then by now.
    """
    row = tenancy.loaded(ShiftDay, shift_day_id, actor)
    tenancy.locked(Person, row.person_id, actor)
    row = tenancy.locked(ShiftDay, shift_day_id, actor)
    if row.withdrawn_at is not None:
        raise WrongState(thing="day", state="withdrawn", needed="one that holds")
    row.withdrawn_at = now
    put(row, fields=["withdrawn_at"])
    return row


@action
def plan_absence(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kind: str,
    starts_at: datetime,
    ends_at: datetime,
    person_id: UUID | None = None,
    room_id: UUID | None = None,
    kit_id: UUID | None = None,
    id: UUID | None = None,
) -> Absence:
    """A person is off, a room closed or a kit away from `starts_at` up to `ends_at`: nothing is planned then.

    Takes the time as a visit does: what is booked there stays, and clashes (`ClaimClash` names it;
    move or cancel it first). Raises `NotFound`, `InvalidInput` unless exactly one is named.
    """
    place = tenancy.location(location_id, actor)
    named = [i for i in (person_id, room_id, kit_id) if i is not None]
    if len(named) != 1:
        raise invalid("/person_id", "name a person, a room or a kit, and one of them only")
    if not starts_at < ends_at <= starts_at + LONGEST:
        raise invalid("/ends_at", f"must be later than starts_at, by up to {LONGEST.days} days")
    if ends_at <= now:
        raise invalid("/ends_at", "is over already")
    _check_here(actor, now, place.id, person_id, room_id, kit_id)
    row = Absence(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        person_id=person_id,
        room_id=room_id,
        kit_id=kit_id,
        kind=kind,
        starts_at=starts_at,
        ends_at=ends_at,
    )
    span = Period(starts_at, ends_at)
    claims.claim(
        wanted=[claims.Wanted(bookable_id=named[0], period=span, phase=Phase.ABSENCE)],
        now=now,
        visit_id=row.id,
    )
    put(row)
    return row


def _check_here(
    actor: Actor,
    now: datetime,
    location_id: UUID,
    person_id: UUID | None,
    room_id: UUID | None,
    kit_id: UUID | None,
) -> None:
    if person_id is not None:
        tenancy.loaded(Person, person_id, actor)
        queries.roles_in_reach(person_id, actor, now)
        if not queries.is_bookable(person_id):
            raise WrongState(thing="person", state="never planned", needed="a skill or a shift")
    if room_id is not None and room_id not in {r.id for r in rooms.rooms_of(location_id)}:
        raise NotFound
    if kit_id is not None and not disinfection.has_kit(location_id, kit_id):
        raise NotFound


@action
def end_absence(*, actor: Actor, now: datetime, absence_id: UUID) -> Absence:
    """What is left of the time is free from now on; all of it, if it has not begun.

    Raises `NotFound`, `WrongState` when it is over or was ended.
    """
    row = tenancy.loaded(Absence, absence_id, actor)
    claims.lock_bookables(i for i in (row.person_id, row.room_id, row.kit_id) if i is not None)
    row = tenancy.locked(Absence, absence_id, actor)
    if row.ended_at is not None or row.ends_at <= now:
        raise WrongState(thing="absence", state="over", needed="one that is still to end")
    row.ended_at = now
    claims.release_absence(row.id)
    put(row, fields=["ended_at"])
    return row
