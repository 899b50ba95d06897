"""Rooms: taken, left, turned over, out of use, flagged. The only writer of their states."""

from datetime import datetime
from typing import Any
from uuid import UUID

from compliance.disinfection import queries as disinfection
from compliance.disinfection.rules.use_window import closing_of_day, end_of_business_day
from rooms import queries
from rooms.models import Flag, Room, StepReport, StepStrike, Turnover
from rooms.problems import RoomNotReady, StepsOpen
from rooms.rules import flags as flag_rules
from rooms.rules import turnover as rules
from rooms.rules.turnover import RoomState
from spa_ops.claims import actions as claims
from spa_ops.claims import queries as claimed
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import AlreadyCorrected, NotFound, WrongState, invalid
from spa_ops.tenancy import actions as tenancy_actions
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import closing_on, open_periods
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def add_room(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    name: str,
    features: list[str] | None = None,
    id: UUID | None = None,
) -> Room:
    """A new room, bookable at once. It needs turnover until someone says by name that it is clean."""
    place = tenancy.location(location_id, actor)
    room = Room(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        name=name,
        features=sorted(set(features or [])),
        state=RoomState.NEEDS_TURNOVER,
        state_since=now,
    )
    claims.add_bookable(BookableKind.ROOM, room.id)
    put(room)
    _need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    _evidence("room.added", room, {"features": room.features})
    return room


@action
def change_room(
    *, actor: Actor, now: datetime, room_id: UUID, match: int | None = None, **changes: Any
) -> Room:
    """Another name or other features."""
    room = tenancy.locked(Room, room_id, actor, match=match)
    for name, value in changes.items():
        setattr(room, name, sorted(set(value)) if name == "features" else value)
    put(room, fields=list(changes))
    _evidence("room.changed", room, {"features": room.features})
    return room


@action
def occupy(*, actor: Actor, now: datetime, room_id: UUID, visit_id: UUID) -> Room:
    """A client is brought in: the room is in service. Raises `RoomNotReady` unless it is ready."""
    room = tenancy.locked(Room, room_id, actor)
    state = queries.effective_state(room, now)
    if state is not RoomState.READY:
        raise RoomNotReady(state=state.value)
    _move(room, RoomState.IN_SERVICE, now, visit_id=visit_id, ready_until=None)
    return room


@action
def leave(
    *, actor: Actor, now: datetime, room_id: UUID, visit_id: UUID, blood_seen: bool = False
) -> Room:
    """The client is out: the room needs turnover. Leaving a room that this visit is not in is refused."""
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.IN_SERVICE or room.visit_id != visit_id:
        raise WrongState(thing="room", state=room.state, needed="in service by this visit")
    _move(room, RoomState.NEEDS_TURNOVER, now)
    _need_turnover(room, now, visit_id=visit_id, left_at=now, blood_seen=blood_seen)
    return room


def _need_turnover(
    room: Room, now: datetime, *, visit_id: UUID | None, left_at: datetime | None, blood_seen: bool
) -> None:
    if queries.open_turnover(room.id) is None:
        Turnover(
            business_id=room.business_id,
            room=room,
            visit_id=visit_id,
            left_at=left_at,
            due_since=now,
            blood_seen=blood_seen,
        ).save(force_insert=True)


def _move(room: Room, state: RoomState, now: datetime, **fields: Any) -> None:
    if not rules.is_legal_move(RoomState(room.state), state):
        raise WrongState(
            thing="room", state=room.state, needed=f"a state from which {state} follows"
        )
    room.state, room.state_since = state, now
    for name, value in fields.items():
        setattr(room, name, value)
    put(room, fields=["state", "state_since", *fields])


@action
def begin_turnover(
    *, actor: Actor, now: datetime, room_id: UUID, product_id: UUID | None = None
) -> Room:
    """Someone begins to bring the room back; the surface product's label gives the wet time."""
    room = tenancy.locked(Room, room_id, actor)
    if (
        queries.effective_state(room, now) is RoomState.NEEDS_TURNOVER
        and room.state == RoomState.READY
    ):
        _lapse(room, now)
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone))
    turnover.begun_at, turnover.begun_by, turnover.plan_version = now, actor.person_id, plan.version
    _use_product(turnover, product_id)
    turnover.save()
    _move(room, RoomState.TURNING_OVER, now)
    _evidence(
        "room.turnover_begun",
        room,
        {
            "visit_id": turnover.visit_id,
            "due_since": turnover.due_since,
            "steps_version": plan.version,
        },
    )
    _settle_flags(room, now)
    return room


def _locked_turnover(room: Room) -> Turnover:
    rows = Turnover.objects.select_for_update(of=("self",), no_key=True)
    turnover = rows.filter(room=room, finished_at=None).first()
    if turnover is None:
        raise WrongState(thing="room", state=room.state, needed="a turnover that is due")
    return turnover


def _use_product(turnover: Turnover, product_id: UUID | None) -> None:
    if product_id is not None:
        label = disinfection.surface_label(product_id)
        turnover.product_id = product_id
        turnover.wet_seconds, turnover.hospital_type = label.contact_seconds, label.hospital_type


@action
def record_step(
    *,
    actor: Actor,
    now: datetime,
    room_id: UUID,
    code: str,
    at: datetime | None = None,
    wet_from: datetime | None = None,
    product_id: UUID | None = None,
) -> Room:
    """Record a turnover step as it happened, `at` (now unless said) by the acting person.

    A step out of order or a surface that was not wet for the whole label time is recorded and does
    not count. Raises `InvalidInput` for an unknown step or a time that lies ahead.
    """
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.TURNING_OVER:
        raise WrongState(thing="room", state=room.state, needed="a turnover that has begun")
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone))
    if code not in {step.code for step in plan.steps}:
        raise invalid("/code", "is not a step of this room's turnover", "unknown")
    for name, value in (("at", at), ("wet_from", wet_from)):
        if value is not None and value > now:
            raise invalid(f"/{name}", "lies ahead")
    _use_product(turnover, product_id)
    turnover.save()
    report = StepReport(
        business_id=room.business_id,
        turnover=turnover,
        code=code,
        at=at or now,
        wet_from=wet_from,
        hospital_type=turnover.hospital_type,
        person_id=actor.person_id,
    )
    report.save(force_insert=True)
    progress = queries.progress_of(turnover, plan)
    wrong = next(
        (u for u in progress.uncounted if u.done.code == code and u.done.at == report.at), None
    )
    current().evidence(
        "room.step_recorded",
        location_id=room.location_id,
        subject_id=room.id,
        occurred_at=report.at,
        facts={
            "room_id": room.id,
            "visit_id": turnover.visit_id,
            "report_id": report.id,
            "code": code,
            "at": report.at,
            "wet_from": wet_from,
            "counted": wrong is None,
            "reason": wrong.reason.value if wrong else None,
        },
    )
    put(room, fields=[])
    return room


@action
def strike_step(*, actor: Actor, now: datetime, report_id: UUID, reason: str) -> Room:
    """A mis-tap in a running turnover: the step was not done. It stays on record, struck out.

    Raises `NotFound`, `AlreadyCorrected`, `WrongState` once the room has been called ready.
    """
    report = StepReport.objects.select_related("turnover").filter(id=report_id).first()
    if report is None:
        raise NotFound
    room = tenancy.locked(Room, report.turnover.room_id, actor)
    if report.turnover.finished_at is not None:
        raise WrongState(
            thing="turnover", state="finished", needed="a running one; turn the room over again"
        )
    if StepStrike.objects.filter(report=report).exists():
        raise AlreadyCorrected
    StepStrike(
        business_id=actor.business_id,
        report=report,
        struck_at=now,
        person_id=actor.person_id,
        reason=reason,
    ).save(force_insert=True)
    _evidence(
        "room.step_struck", room, {"report_id": report.id, "code": report.code, "at": report.at}
    )
    put(room, fields=[])
    return room


@action
def finish_turnover(*, actor: Actor, now: datetime, room_id: UUID) -> Room:
    """Call the room ready, until closing. Raises `StepsOpen` while a required step is open.

    A shared device is locked again: the next client's person names themself anew.
    """
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.TURNING_OVER:
        raise WrongState(thing="room", state=room.state, needed="a turnover that has begun")
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone))
    progress = queries.progress_of(turnover, plan)
    if not progress.may_be_ready:
        raise StepsOpen(open_steps=list(progress.open_required))
    turnover.finished_at = now
    turnover.save()
    _move(room, RoomState.READY, now, ready_until=_day_ends_at(room.location, now))
    _evidence(
        "room.turnover_finished",
        room,
        {
            "visit_id": turnover.visit_id,
            "left_at": turnover.left_at,
            "begun_at": turnover.begun_at,
            "finished_at": now,
            "steps": [step.code for step in progress.counted],
            "steps_version": plan.version,
        },
    )
    _settle_flags(room, now)
    if actor.device_id is not None:
        tenancy_actions.lock_device(actor=actor, now=now, device_id=actor.device_id)
    return room


def _day_ends_at(place: Location, now: datetime) -> datetime:
    """Closing of the business day that runs; midnight for a room made ready after closing."""
    closing_at = closing_of_day(
        now, open_on=lambda day: open_periods(place.opening_hours, place.zone, day), zone=place.zone
    )
    return end_of_business_day(now, closing_at=closing_at, zone=place.zone)


@action
def take_out_of_use(*, actor: Actor, now: datetime, room_id: UUID, reason: str) -> Room:
    """The room is not to be used, for a reason that is shown."""
    room = tenancy.locked(Room, room_id, actor)
    _move(room, RoomState.OUT_OF_USE, now, out_of_use_reason=reason, ready_until=None)
    _evidence("room.taken_out_of_use", room, {})
    return room


@action
def bring_back(*, actor: Actor, now: datetime, room_id: UUID) -> Room:
    """The room may be used again, after a turnover."""
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.OUT_OF_USE:
        raise WrongState(thing="room", state=room.state, needed="out of use")
    _move(room, RoomState.NEEDS_TURNOVER, now, out_of_use_reason="")
    _need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    _evidence("room.brought_back", room, {})
    return room


def _lapse(room: Room, now: datetime) -> None:
    lapsed_at = room.ready_until
    _move(room, RoomState.NEEDS_TURNOVER, now, ready_until=lapsed_at)
    _need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    _evidence("room.lapsed", room, {"lapsed_at": lapsed_at})


@action
def sweep_rooms(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Let ready lapse at closing, raise what is late, clear what has settled. Returns changes made.

    Run as often as you like: nothing happens twice.
    """
    place = Location.objects.get(id=location_id)
    # Rooms that someone is writing just now are looked at by the next sweep.
    rows = Room.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    changed = 0
    for room in rows.filter(location_id=location_id).order_by("id"):
        room.location = place
        if queries.effective_state(room, now) != room.state:
            _lapse(room, now)
            changed += 1
        changed += _settle_flags(room, now)
    return changed


def _settle_flags(room: Room, now: datetime) -> int:
    standing = {
        flag_rules.Flag(kind=flag_rules.FlagKind(f.kind), about=f.about, due_at=f.due_at): f
        for f in Flag.objects.filter(room=room, cleared_at=None)
    }
    house = tenancy.policy_of(room.location)
    policy = flag_rules.FlagPolicy(
        begin_within_minutes=house.turnover_begins_within_minutes,
        ready_before_set_up_minutes=house.ready_before_set_up_minutes,
    )
    found = flag_rules.flag_changes(_times(room, now), policy, standing, now=now)
    for flag in found.to_raise:
        _raise(room, flag, now)
    for flag in found.to_clear:
        row = standing[flag]
        row.cleared_at = now
        put(row, fields=["cleared_at"])
        _evidence(
            "room.flag_cleared", room, {"flag_id": row.id, "kind": row.kind, "about": row.about}
        )
    return len(found.to_raise) + len(found.to_clear)


def _raise(room: Room, flag: flag_rules.Flag, now: datetime) -> None:
    if Flag.objects.filter(room=room, kind=flag.kind.value, about=flag.about).exists():
        return  # it was raised and has cleared: once is enough for one leaving, set-up or closing
    row = Flag(
        business_id=room.business_id,
        location_id=room.location_id,
        room=room,
        kind=flag.kind.value,
        about=flag.about,
        due_at=flag.due_at,
        raised_at=now,
    )
    put(row)
    _evidence(
        "room.flag_raised",
        room,
        {"flag_id": row.id, "kind": row.kind, "about": row.about, "due_at": row.due_at},
    )


def _times(room: Room, now: datetime) -> flag_rules.RoomTimes:
    place = room.location
    turnover = queries.open_turnover(room.id)
    today = local_date(now, place.zone)
    return flag_rules.RoomTimes(
        state=queries.effective_state(room, now),
        left_at=turnover.left_at if turnover and room.state == RoomState.NEEDS_TURNOVER else None,
        next_set_up_at=claimed.next_set_up([room.id], room.state_since).get(room.id),
        closing_at=closing_on(place.opening_hours, place.zone, today),
        lapsed_at=room.ready_until if room.state == RoomState.NEEDS_TURNOVER else None,
    )


def _evidence(kind: str, room: Room, facts: dict[str, Any]) -> None:
    current().evidence(
        kind, location_id=room.location_id, subject_id=room.id, facts={"room_id": room.id, **facts}
    )
