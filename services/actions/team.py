"""Writing who may perform what, and who works when."""

from collections.abc import Sequence
from datetime import date, datetime, time
from typing import Any
from uuid import UUID

from services.models import Duty, Service, Shift, Skill
from services.queries import team as queries
from services.rules.shifts import first_clash, minutes_into, walls_of
from spa_ops.claims.actions import add_bookable
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

PERFORMS = frozenset({Role.PRACTITIONER, Role.LEAD})
ATTENDS = PERFORMS | {Role.FRONT_DESK}
#: House policy: a first day outside of these years is a slip of the hand.
FIRST_YEAR, LAST_YEAR = 2000, 2100
DAY_MINUTES = 24 * 60


@action
def grant_skill(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    service_id: UUID,
    hands_on_minutes: int | None = None,
    id: UUID | None = None,
) -> Skill:
    """The person may perform the service from now on; makes their time bookable if it is not yet.

    Granting what is granted changes nothing but `hands_on_minutes`, their own for plans from now on
    (None: as the price list has it); an ended skill begins again. Raises `NotFound` for
    a person without a role in reach; `WrongState` for one who is no practitioner or lead, and for a
    retired service.
    """
    person = tenancy.locked(Person, person_id, actor)
    needs_role(person, actor, now, PERFORMS)
    service = tenancy.loaded(Service, service_id, actor)
    if not service.active:
        raise WrongState(thing="service", state="retired", needed="one that is offered")
    skill = Skill.objects.filter(person=person, service=service).first()
    if skill is not None and skill.ended_at is None:
        if skill.hands_on_minutes != hands_on_minutes:
            skill.hands_on_minutes = hands_on_minutes
            put(skill, fields=["hands_on_minutes"])
        return skill
    skill = skill or Skill(
        id=id or uuid7(), business_id=actor.business_id, person=person, service=service
    )
    skill.ended_at, skill.hands_on_minutes = None, hands_on_minutes
    _make_bookable(person)
    put(skill)
    _skill_evidence("skill.granted", skill)
    return skill


@action
def end_skill(*, actor: Actor, now: datetime, skill_id: UUID) -> Skill:
    """The person performs the service no more. What is booked stays, and cannot be started by them.

    Raises `NotFound` also for a person without a role in reach, `WrongState` when it ended before.
    """
    skill = tenancy.locked(Skill, skill_id, actor)
    queries.roles_in_reach(skill.person_id, actor, now)
    if skill.ended_at is not None:
        raise WrongState(thing="skill", state="ended", needed="one that holds")
    skill.ended_at = now
    put(skill, fields=["ended_at"])
    _skill_evidence("skill.ended", skill)
    return skill


def needs_role(person: Person, actor: Actor, now: datetime, wanted: frozenset[Role]) -> None:
    """The person holds one of these roles in reach; raises `NotFound`, `WrongState`."""
    held = queries.roles_in_reach(person.id, actor, now)
    if held.isdisjoint(wanted):
        needed = " or ".join(sorted(wanted))
        raise WrongState(thing="person", state=", ".join(sorted(held)), needed=needed)


def _make_bookable(person: Person) -> None:
    # The person is locked: nobody else makes the same bookable meanwhile.
    if not queries.is_bookable(person.id):
        add_bookable(BookableKind.PRACTITIONER, person.id)


def _skill_evidence(kind: str, skill: Skill) -> None:
    current().evidence(
        kind,
        location_id=None,
        subject_id=skill.person_id,
        facts={
            "skill_id": skill.id,
            "person_id": skill.person_id,
            "service_id": skill.service_id,
        },
    )


@action
def add_shift(
    *,
    actor: Actor,
    now: datetime,
    person_id: UUID,
    location_id: UUID,
    weekday: int,
    starts: time,
    ends: time,
    duty: Duty = Duty.PRACTITIONER,
    valid_from: date | None = None,
    valid_until: date | None = None,
    breaks: Sequence[Sequence[str]] = (),
    id: UUID | None = None,
) -> Shift:
    """A weekly shift on the location's wall clock; makes the person's time bookable if it is not yet.

    `weekday` 0 is Monday; `ends` at or before `starts` is the next day; `valid_from` (default: the
    local today) is the first day, `valid_until` the first day after the last; `breaks` are pairs of
    wall times within it, in order, at which nothing is planned. Locks the person.
    Raises `NotFound`, `InvalidInput` also for a shift that overlaps another of the person anywhere,
    `WrongState` for one without a role for that duty there.
    """
    place = tenancy.location(location_id, actor)
    person = tenancy.locked(Person, person_id, actor)
    shift = Shift(
        id=id or uuid7(),
        business_id=actor.business_id,
        person=person,
        location=place,
        duty=duty,
        weekday=weekday,
        starts=starts,
        ends=ends,
        valid_from=valid_from or local_date(now, place.zone),
        valid_until=valid_until,
        breaks=[list(span) for span in breaks],
    )
    _check_shift(shift, actor, now)
    _make_bookable(person)
    put(shift)
    _shift_evidence("shift.added", shift)
    return shift


@action
def change_shift(
    *, actor: Actor, now: datetime, shift_id: UUID, match: int | None = None, **changes: Any
) -> Shift:
    """Change the duty, weekday, times or days of a shift. Raises as `add_shift`, and `StaleVersion`.

    What is booked stays booked: whoever changes a shift looks at the days it concerns.
    """
    shift = _locked_shift(shift_id, actor, match)
    for name, value in changes.items():
        setattr(shift, name, value)
    _check_shift(shift, actor, now)
    put(shift, fields=list(changes))
    _shift_evidence("shift.changed", shift)
    return shift


@action
def end_shift(
    *, actor: Actor, now: datetime, shift_id: UUID, valid_until: date, match: int | None = None
) -> Shift:
    """Let a shift run no more from the day `valid_until` on.

    Raises `NotFound`, `StaleVersion`; `InvalidInput` for a day before its first or after its end.
    """
    shift = _locked_shift(shift_id, actor, match)
    if valid_until < shift.valid_from:
        raise invalid("/valid_until", "must not lie before valid_from")
    if shift.valid_until is not None and valid_until > shift.valid_until:
        raise invalid("/valid_until", f"it ends already on {shift.valid_until}")
    shift.valid_until = valid_until
    put(shift, fields=["valid_until"])
    _shift_evidence("shift.ended", shift)
    return shift


def _locked_shift(shift_id: UUID, actor: Actor, match: int | None) -> Shift:
    """The shift, locked behind its person: two shifts of one person are never checked at once."""
    shift = tenancy.loaded(Shift, shift_id, actor)
    tenancy.locked(Person, shift.person_id, actor)
    return tenancy.locked(Shift, shift_id, actor, match=match)


def _check_shift(shift: Shift, actor: Actor, now: datetime) -> None:
    if not 0 <= shift.weekday <= 6:
        raise invalid("/weekday", "must be 0 (Monday) to 6")
    if shift.starts == shift.ends:
        raise invalid("/ends", "must differ from starts")
    if not FIRST_YEAR <= shift.valid_from.year <= LAST_YEAR:
        raise invalid("/valid_from", f"must lie in {FIRST_YEAR} to {LAST_YEAR}")
    if shift.valid_until is not None and shift.valid_until <= shift.valid_from:
        raise invalid("/valid_until", "must lie after valid_from")
    check_walls("/breaks", shift.breaks, within=(shift.starts, shift.ends))
    wanted = PERFORMS if shift.duty == Duty.PRACTITIONER else ATTENDS
    needs_role(shift.person, actor, now, wanted)
    others = (other for other in queries.shifts_of(shift.person_id) if other.id != shift.id)
    for other in others:
        if first_clash(queries.weekly(shift), queries.weekly(other)) is not None:
            text = f"{other.starts:%H:%M} to {other.ends:%H:%M} at {other.location.name}"
            raise invalid("/starts", f"the person works {text} then", "overlaps")
    for day in queries.days_of(shift.person_id):
        elsewhere = (day.location_id, day.duty) != (shift.location_id, shift.duty)
        if elsewhere and any(map(queries.weekly(shift).is_on_within, queries.one_day(day).periods)):
            raise invalid("/starts", f"the person works otherwise on {day.on}", "overlaps")


def check_walls(
    pointer: str, spans: Sequence[Sequence[str]], *, within: tuple[time, time] | None = None
) -> None:
    """Pairs of wall times, each of some length, one after the other, and within a shift if one is given.

    Raises `InvalidInput`.
    """
    pairs = walls_of(spans)
    first = within[0] if within else (pairs[0][0] if pairs else time(0))
    end = (minutes_into(first, within[1]) if within else 0) or DAY_MINUTES
    reached = 0
    for starts, ends in pairs:
        begins = minutes_into(first, starts)
        stops = minutes_into(first, ends) or DAY_MINUTES
        if not reached <= begins < stops <= end:
            raise invalid(pointer, "must be [starts, ends] pairs in order, one after the other")
        reached = stops


def _shift_evidence(kind: str, shift: Shift) -> None:
    names = ("person_id", "duty", "weekday", "valid_from", "valid_until")
    current().evidence(
        kind,
        location_id=shift.location_id,
        subject_id=shift.person_id,
        facts={
            "shift_id": shift.id,
            "version": shift.version,
            "starts": f"{shift.starts:%H:%M}",
            "ends": f"{shift.ends:%H:%M}",
            **{name: getattr(shift, name) for name in names},
        },
    )
