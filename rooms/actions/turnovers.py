"""Bringing a room back to ready, step by step."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from compliance.disinfection import queries as disinfection
from compliance.disinfection.rules.single_use import LaidOut, SingleUseFate, fate
from rooms import queries
from rooms.actions.changes import evidence, lapse, move
from rooms.actions.flags import settle_flags
from rooms.models import Room, StepReport, StepStrike, Turnover
from rooms.problems import PieceMissing, StepsOpen
from rooms.rules.forecast import shortest_seconds
from rooms.rules.turnover import RoomState, TurnoverPlan
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import AlreadyCorrected, NotFound, WrongState, invalid
from spa_ops.tenancy import actions as tenancy_actions
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


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
        lapse(room, now)
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone), room.features)
    turnover.begun_at, turnover.begun_by, turnover.plan_version = now, actor.person_id, plan.version
    _use_product(turnover, product_id)
    turnover.save()
    move(room, RoomState.TURNING_OVER, now)
    evidence(
        "room.turnover_begun",
        room,
        {
            "visit_id": turnover.visit_id,
            "due_since": turnover.due_since,
            "steps_version": plan.version,
        },
    )
    settle_flags(room.location, [room], now)
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
    unused: Sequence[Mapping[str, Any]] = (),
) -> Room:
    """Record a turnover step as it happened, `at` (now unless said) by the acting person.

    `unused` names single-use items that were laid out and not used: {item, stayed_covered,
    taken_with_clean_hands}. Only what stayed covered and was taken with clean hands goes back.

    A step out of order or a surface that was not wet for the whole label time is recorded and does
    not count. Each step is held to the product it was done with: `product_id`, else the turnover's. Raises `InvalidInput` for an unknown step or a time that lies ahead.
    """
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.TURNING_OVER:
        raise WrongState(thing="room", state=room.state, needed="a turnover that has begun")
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone), room.features)
    if code not in {step.code for step in plan.steps}:
        raise invalid("/code", "is not a step of this room's turnover", "unknown")
    for name, value in (("at", at), ("wet_from", wet_from)):
        if value is not None and value > now:
            raise invalid(f"/{name}", "lies ahead")
    label = None if product_id is None else disinfection.surface_label(product_id)
    if product_id is not None and any(step.wet for step in plan.steps if step.code == code):
        _use_product(turnover, product_id)
        turnover.save()
    report = StepReport(
        business_id=room.business_id,
        turnover=turnover,
        code=code,
        at=at or now,
        wet_from=wet_from,
        wet_seconds=label.contact_seconds if label else turnover.wet_seconds,
        hospital_type=label.hospital_type if label else turnover.hospital_type,
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
            "back_to_stock": _fates(unused, SingleUseFate.BACK_TO_STOCK),
            "discarded_unused": _fates(unused, SingleUseFate.DISCARD),
        },
    )
    put(room, fields=[])
    return room


def _fates(unused: Sequence[Mapping[str, Any]], wanted: SingleUseFate) -> list[str] | None:
    found = [
        str(each["item"])
        for each in unused
        if fate(
            LaidOut(
                was_used=False,
                stayed_covered=each.get("stayed_covered") is True,
                taken_with_clean_hands=each.get("taken_with_clean_hands") is True,
            )
        )
        is wanted
    ]
    return found or None


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
    evidence(
        "room.step_struck", room, {"report_id": report.id, "code": report.code, "at": report.at}
    )
    put(room, fields=[])
    return room


@action
def finish_turnover(*, actor: Actor, now: datetime, room_id: UUID) -> Room:
    """Call the room ready, until closing. Raises `StepsOpen` while a required step is open, and
    `PieceMissing` while an implement of the visit is missing.

    A shared device is locked again: the next client's person names themself anew.
    """
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.TURNING_OVER:
        raise WrongState(thing="room", state=room.state, needed="a turnover that has begun")
    turnover = _locked_turnover(room)
    plan = queries.plan_for(room.location, local_date(now, room.location.zone), room.features)
    progress = queries.progress_of(turnover, plan)
    if progress.missing:
        raise PieceMissing(missing=list(progress.missing))
    if not progress.may_be_ready:
        titles = {step.code: step.title for step in plan.steps}
        still_open = list(progress.open_required)
        raise StepsOpen(open_steps=still_open, titles=[titles[code] for code in still_open])
    turnover.finished_at = now
    turnover.save()
    move(room, RoomState.READY, now, ready_until=queries.ready_until(room.location, now))
    evidence(
        "room.turnover_finished",
        room,
        {
            "visit_id": turnover.visit_id,
            "left_at": turnover.left_at,
            "begun_at": turnover.begun_at,
            "finished_at": now,
            "steps": [step.code for step in progress.counted],
            "steps_version": plan.version,
            **_speed(turnover, plan, now),
        },
    )
    settle_flags(room.location, [room], now)
    if turnover.visit_id is not None:
        claims.release_turnover(room_id=room.id, visit_id=turnover.visit_id)
    if actor.device_id is not None:
        tenancy_actions.lock_device(actor=actor, now=now, device_id=actor.device_id)
    return room


def _speed(turnover: Turnover, plan: TurnoverPlan, now: datetime) -> dict[str, Any]:
    """How long it took beside the least that its steps and wet time take: a faster one is a flaw on record."""
    took = int((now - (turnover.begun_at or now)).total_seconds())
    least = shortest_seconds(plan, turnover.wet_seconds)
    return {"seconds": took, "shortest_seconds": least, "too_fast": took < least}
