"""Work on one line: start, pause, stop, blood, finish, and the record of what was done."""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import partial
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.rules.model import PASSING
from clients.rules.patch_tests import PATCH_TEST_METHOD
from compliance.disinfection import actions as disinfection
from compliance.disinfection import queries as kits
from rooms import queries as rooms
from rooms.queries import equipment
from services.actions.booking import foresight_due, visit_evidence
from services.actions.consultation import (
    check_flags,
    check_own_cover,
    check_patch_tests,
    line_of_today,
)
from services.actions.patch_tests import record_tests_of_line
from services.actions.rebooking import propose_rebooking
from services.actions.stock import keep_stated, use_due
from services.models import Line, LineState, Visit, VisitState, WorkRecord
from services.problems import (
    Bleeding,
    KitNotCleared,
    NotCovered,
    NotHygienic,
    ScreeningForbids,
)
from services.queries import visits as queries
from services.queries.work_draft import draft_of, is_owed
from services.rules.hygiene import AFTER_ANY, AT_BLOOD, WAX_METHODS, needed_before, not_confirmed
from services.rules.work_record import (
    WHAT_TO_DO,
    Passes,
    RecordFlaw,
    flaw_of_time,
    sections_passed_too_often,
)
from services.set_up_files import shipped_set_up
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action

_RUNNING = (LineState.STARTED,)


@action
def start_line(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    confirmed: Mapping[str, bool],
    wax_pot_id: UUID | None = None,
) -> Visit:
    """Begin, or go on after a pause. Only what promise 2 allows starts.

    With wax, from the pot named, else from one in the room that may be used; where the room has
    none on file none is asked for. Raises `WrongState`, `Bleeding`, `NotScreened`,
    `ScreeningForbids`, `NotCovered`, `RoomNotReady`, `KitNotCleared`, `PotNotReady`, `NotHygienic`;
    nothing is changed then.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, LineState.PLANNED, LineState.PAUSED)
    if visit.state != VisitState.IN_ROOM:
        raise WrongState(thing="visit", state=visit.state, needed="the client in the room")
    place = tenancy.location(visit.location_id, actor)
    if line.bleeding_since is not None:
        raise Bleeding
    line = line_of_today(visit, line, place, now)
    _check_verdict(line)
    check_flags(visit, line, place, now)
    check_patch_tests(visit, line, place, now)
    _check_place(actor, visit, line, now)
    if actor.person_id != line.practitioner_id:
        # Whoever confirms hands and gloves is the one who wears them.
        raise NotCovered
    check_own_cover(actor, place, line, now)
    pot = _pot(line, place, now, wax_pot_id)
    missing = not_confirmed(needed_before(line.method), confirmed)
    if missing:
        raise NotHygienic(missing=", ".join(missing))
    first = line.started_at is None
    line.state, line.started_at = LineState.STARTED, line.started_at or now
    line.save(update_fields=["state", "started_at"])
    visit_evidence(
        "line.started",
        visit,
        {
            "line_id": line.id,
            "first": first,
            "practitioner_id": line.practitioner_id,
            "room_id": line.room_id,
            "kit_id": line.kit_id,
            "screened_on": line.screened_on,
            "verdict": line.verdict,
            "overridden": line.overridden_by is not None,
            "confirmed": sorted(needed_before(line.method)),
            "wax_pot_id": pot.equipment.id if pot else None,
            "wax_filling_id": pot.pot.filling.id if pot and pot.pot.filling else None,
        },
    )
    return _touched(visit)


def _check_verdict(line: Line) -> None:
    if line.verdict not in PASSING and line.overridden_by is None:
        earliest = str(line.earliest_on) if line.earliest_on else None
        at = rfc3339(line.earliest_at) if line.earliest_at else None
        raise ScreeningForbids(verdict=line.verdict, earliest_on=earliest, earliest_at=at)


def _check_place(actor: Actor, visit: Visit, line: Line, now: datetime) -> None:
    if visit.room_id != line.room_id:
        raise WrongState(thing="client", state="in another room", needed="the line's own room")
    rooms.check_in_service(room_id=line.room_id, visit_id=visit.id, now=now)
    if line.kit_id is None:
        if line.service.kit_kind:
            raise KitNotCleared(kit_id=None)
        return
    is_cleared = partial(kits.was_cleared_for, kit_id=line.kit_id, visit_id=visit.id)
    if not is_cleared():
        # A kit that came with the client in the room, or that was brought back meanwhile, is opened now.
        disinfection.open_kit(actor=actor, now=now, kit_id=line.kit_id, visit_id=visit.id)
        if not is_cleared():
            raise KitNotCleared(kit_id=str(line.kit_id))


def _pot(
    line: Line, place: Location, now: datetime, chosen: UUID | None
) -> equipment.PotState | None:
    if line.method not in WAX_METHODS:
        if chosen is not None:
            raise invalid("/wax_pot_id", "no wax is used for this line", "unknown")
        return None
    return equipment.pot_for_line(
        room_id=line.room_id, method=line.method, zone=place.zone, now=now, chosen=chosen
    )


def _needs(line: Line, *states: LineState) -> None:
    if line.state not in states:
        raise WrongState(thing="line", state=line.state, needed=" or ".join(states))


def _touched(visit: Visit) -> Visit:
    """A line is part of its visit: the visit's version moves with it."""
    put(visit, fields=[])
    return visit


@action
def pause_line(*, actor: Actor, now: datetime, line_id: UUID, reason: str) -> Visit:
    """Interrupt a running line. To go on, start it again: gloves and hands are confirmed anew."""
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, *_RUNNING)
    line.state = LineState.PAUSED
    line.save(update_fields=["state"])
    visit_evidence("line.paused", visit, {"line_id": line.id}, personal={"reason": reason})
    return _touched(visit)


@action
def stop_line(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    reason: str,
    done: str = "",
    price_minor: int | None = None,
) -> Visit:
    """End a running or paused line early: why, what was done until then, and the price agreed."""
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, LineState.STARTED, LineState.PAUSED)
    if price_minor is not None and price_minor > line.price_minor:
        raise invalid("/price_minor", "must not be above the line's price")
    line.state, line.finished_at = LineState.STOPPED, now
    line.price_minor = line.price_minor if price_minor is None else price_minor
    line.bleeding_since = None
    line.save(update_fields=["state", "finished_at", "price_minor", "bleeding_since"])
    visit_evidence(
        "line.stopped",
        visit,
        {"line_id": line.id, "price_minor": line.price_minor, "currency": line.currency},
        personal={"reason": reason, "done": done or None},
    )
    insert([foresight_due(visit, now), use_due(line, visit, now)])
    return _touched(visit)


@action
def record_blood(
    *, actor: Actor, now: datetime, line_id: UUID, confirmed: Mapping[str, bool]
) -> Visit:
    """Blood seen: one command stops the line and sends the touched implements the stricter way back.

    What was done is recorded as said, also what was not; nothing restarts before `bleeding stopped`.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, LineState.STARTED, LineState.PAUSED)
    missing = not_confirmed(AT_BLOOD, confirmed)
    line.state, line.bleeding_since = LineState.PAUSED, line.bleeding_since or now
    line.blood_seen_at = now
    line.save(update_fields=["state", "bleeding_since", "blood_seen_at"])
    if line.kit_id is not None:
        disinfection.mark_blood(actor=actor, now=now, kit_id=line.kit_id, visit_id=visit.id)
    visit_evidence(
        "line.blood_seen",
        visit,
        {
            "line_id": line.id,
            "room_id": line.room_id,
            "kit_id": line.kit_id,
            "done": [name for name in AT_BLOOD if name not in missing],
            "not_done": missing,
        },
    )
    return _touched(visit)


@action
def record_bleeding_stopped(*, actor: Actor, now: datetime, line_id: UUID) -> Visit:
    """The bleeding has stopped and is covered; the line may go on, or be stopped."""
    line, visit = queries.line_and_visit(line_id, actor)
    if line.bleeding_since is None:
        raise WrongState(thing="line", state="not bleeding", needed="blood seen")
    line.bleeding_since = None
    line.save(update_fields=["bleeding_since"])
    visit_evidence("line.bleeding_stopped", visit, {"line_id": line.id})
    return _touched(visit)


@action
def finish_line(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    record: dict[str, Any],
    confirmed: Mapping[str, bool],
) -> Visit:
    """End a line as planned: gloves off, then hands washed, and the record of what was done.

    Raises `WrongState` unless it is running, `NotHygienic`. The rebooking date follows the price list.
    A line that is a patch test records the test of each product.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, *_RUNNING)
    missing = not_confirmed(AFTER_ANY, confirmed)
    if missing:
        raise NotHygienic(missing=", ".join(missing))
    line.state, line.finished_at = LineState.FINISHED, now
    line.save(update_fields=["state", "finished_at"])
    _keep_record(actor, now, visit, line, record)
    return _finished(actor, now, visit, line, confirmed=AFTER_ANY)


@action
def finish_with_gloves_on(*, actor: Actor, now: datetime, line_id: UUID) -> Visit:
    """End a line as planned in one tap, with gloves on that touched the client.

    Gloves, hands and the record are confirmed later, with the line's first record; until then it
    is owed. Raises `WrongState` unless it is running.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, *_RUNNING)
    line.state, line.finished_at = LineState.FINISHED, now
    line.save(update_fields=["state", "finished_at"])
    return _finished(actor, now, visit, line, confirmed=())


def _finished(
    actor: Actor, now: datetime, visit: Visit, line: Line, *, confirmed: Sequence[str]
) -> Visit:
    visit_evidence(
        "line.finished",
        visit,
        {"line_id": line.id, "practitioner_id": line.practitioner_id, "confirmed": list(confirmed)},
    )
    if line.method == PATCH_TEST_METHOD:
        record_tests_of_line(actor=actor, now=now, visit=visit, line=line)
    propose_rebooking(actor=actor, now=now, line_id=line.id)
    # What was done bears on what is booked next, and was taken from the stock.
    insert([foresight_due(visit, now), use_due(line, visit, now)])
    return _touched(visit)


@action
def add_work_record(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    record: dict[str, Any],
    happened_at: datetime | None = None,
    confirmed: Mapping[str, bool] | None = None,
) -> Visit:
    """A further record of a line: a correction, or what was left out. The former stays.

    The first one of a line that was finished with gloves on needs gloves off and hands washed.
    Raises `WrongState`, `NotHygienic`; `InvalidInput` for a time that lies ahead or before the work.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    _needs(line, LineState.STARTED, LineState.PAUSED, LineState.STOPPED, LineState.FINISHED)
    if happened_at is not None:
        flaw = flaw_of_time(happened_at, started_at=line.started_at, now=now)
        if flaw:
            raise invalid("/happened_at", flaw)
    owed = is_owed(line)
    if owed:
        missing = not_confirmed(AFTER_ANY, confirmed or {})
        if missing:
            raise NotHygienic(missing=", ".join(missing))
    done = AFTER_ANY if owed else ()
    says_use = _keep_record(
        actor, now, visit, line, record, happened_at=happened_at, confirmed=done
    )
    if says_use and line.state in {LineState.STOPPED, LineState.FINISHED}:
        insert([use_due(line, visit, now)])
    return _touched(visit)


def _keep_record(
    actor: Actor,
    now: datetime,
    visit: Visit,
    line: Line,
    record: dict[str, Any],
    *,
    happened_at: datetime | None = None,
    confirmed: Sequence[str] = (),
) -> bool:
    """Keep the record; gives whether it says what was used of the stock."""
    often = sections_passed_too_often(
        (Passes(**one) for one in record.get("passes") or ()),
        shipped_set_up().applications.get(line.method),
    )
    flaws = [RecordFlaw.TOO_MANY_PASSES] if often else []
    if flaws:
        told = {flaw.value: WHAT_TO_DO[flaw] for flaw in flaws}
        record = {**record, "flaws": told, "sections_passed_too_often": list(often)}
    if happened_at is not None:
        record = {**record, "happened_at": rfc3339(happened_at)}
    text = json.dumps(record, default=str, ensure_ascii=False, sort_keys=True)
    row = WorkRecord(
        business_id=visit.business_id,
        line=line,
        client_id=visit.client_id,
        sealed=seal(visit.business_id, visit.client_id, text.encode()),
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    row.save(force_insert=True)
    visit_evidence(
        "line.work_recorded",
        visit,
        {
            "line_id": line.id,
            "work_record_id": row.id,
            "method": line.method,
            "area": line.area,
            "sections": record.get("sections"),
            "applicators": record.get("applicators"),
            "happened_at": happened_at,
            "confirmed": list(confirmed) or None,
            "flaws": [flaw.value for flaw in flaws] or None,
        },
        personal={"record": text},
    )
    return keep_stated(actor, line, visit, row, record)


@action
def read_draft(*, actor: Actor, now: datetime, line_id: UUID) -> dict[str, Any]:
    """A line's record as a draft for who works on the client: a recorded read. Raises `NotFound`, `Erased`."""
    line, visit = queries.line_and_visit_unlocked(line_id, actor)
    record_read(actor=actor, now=now, client_id=visit.client_id, visit_id=visit.id)
    return draft_of(visit, line, tenancy.location(visit.location_id, actor), now)
