"""The client's way through the house: arrive, be seated, change rooms, leave."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

from compliance.disinfection import actions as disinfection
from rooms import actions as rooms
from services.actions.booking import LineRequest, book_visit, needs_state, visit_evidence
from services.actions.plans import way_back_claims
from services.models import Line, Visit, VisitState
from services.problems import LinesOpen, NotTheDay
from services.queries import visits as queries
from services.queries.kits_away import with_soaking
from services.queries.margins import margins_of
from services.queries.turnover_time import least_clean_up
from services.rules.buffers import Buffer
from services.rules.kits import WayBack
from spa_ops.claims import actions as claims
from spa_ops.claims import queries as claimed
from spa_ops.claims.models import Phase
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action

#: House policy: a visit just after midnight may be begun on the evening before, and the other way round.
NEAR = timedelta(hours=3)


@action
def record_arrival(
    *, actor: Actor, now: datetime, visit_id: UUID, match: int | None = None
) -> Visit:
    """The client is here. Raises `NotTheDay` on another day than the visit's, `WrongState`."""
    visit = queries.locked_visit(visit_id, actor, match=match)
    needs_state(visit, VisitState.BOOKED)
    place = tenancy.location(visit.location_id, actor)
    today, on = local_date(now, place.zone), local_date(visit.starts_at, place.zone)
    if today != on and abs(visit.starts_at - now) > NEAR:
        raise NotTheDay(on=str(on), today=str(today))
    visit.state, visit.arrived_at = VisitState.ARRIVED, now
    put(visit, fields=["state", "arrived_at"])
    visit_evidence("visit.arrived", visit, {"starts_at": visit.starts_at})
    return visit


@action
def take_walk_in(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineRequest],
    note: str = "",
    id: UUID | None = None,
) -> Visit:
    """Book and arrive in one, for someone who stands at the desk; without a start, as soon as set up.

    Raises what booking raises: a walk-in takes nobody's time.
    """
    if not lines:
        raise invalid("/lines", "must not be empty")
    first = lines[0]
    if first.starts_at is None:
        services = queries.services_named({r.service_id for r in lines})
        minutes = max(services[r.service_id].set_up_minutes for r in lines)
        first = LineRequest(
            service_id=first.service_id,
            practitioner_id=first.practitioner_id,
            room_id=first.room_id,
            kit_id=first.kit_id,
            id=first.id,
            starts_at=now + timedelta(minutes=minutes),
        )
    visit = book_visit(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        lines=[first, *lines[1:]],
        note=note,
        id=id,
        walk_in=True,
    )
    return record_arrival(actor=actor, now=now, visit_id=visit.id)


@action
def seat_client(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    room_id: UUID | None = None,
    match: int | None = None,
) -> Visit:
    """Bring the client to a room: it is in service from now on, and each kit laid out there is opened.

    What is opened counts as soiled, also if nothing is done in the end. Another room of the visit
    than the present one: the present one is left first. Raises `RoomNotReady`, `WrongState`.
    """
    visit = queries.locked_visit(visit_id, actor, match=match)
    needs_state(visit, VisitState.ARRIVED, VisitState.IN_ROOM)
    every = queries.lines_of(visit.id)
    lines = [line for line in every if line.state in queries.OPEN]
    target = room_id or (lines[0].room_id if lines else None)
    if target is None or target not in {line.room_id for line in lines}:
        raise invalid("/room_id", "is not a room of this visit's open lines")
    if target == visit.room_id:
        raise WrongState(thing="client", state="in this room", needed="another room")
    if visit.room_id is not None:
        _running(lines, visit.room_id)
        _leave_room(actor, now, visit, every)
    rooms.occupy(actor=actor, now=now, room_id=target, visit_id=visit.id)
    for kit_id in sorted({line.kit_id for line in lines if line.room_id == target and line.kit_id}):
        disinfection.open_kit(actor=actor, now=now, kit_id=kit_id, visit_id=visit.id)
    visit.room_id, visit.state = target, VisitState.IN_ROOM
    visit.seated_at = visit.seated_at or now
    put(visit, fields=["room_id", "state", "seated_at"])
    visit_evidence("visit.seated", visit, {"room_id": target})
    return visit


def _plan_turnover(actor: Actor, now: datetime, visit: Visit, lines: Sequence[Line]) -> None:
    """The plan follows the fact: what is left of the visit's time is free, and turnover begins now,
    with it the kits' way back and, behind it, what is kept free.

    Somebody who was meanwhile planned for something else keeps that; the flag on the room tells.
    """
    claims.release(visit_id=visit.id)
    last = next((line for line in reversed(lines) if line.room_id == visit.room_id), None)
    least = least_clean_up(tenancy.location(visit.location_id, actor), now)
    minutes = max(last.service.clean_up_minutes, least) if last else 0
    over = now + timedelta(minutes=minutes)
    wanted = []
    if last is not None and minutes > 0:
        turnover = Period(now, over)
        wanted = [
            claims.Wanted(bookable_id=who, period=turnover, phase=Phase.TURNOVER, line_id=last.id)
            for who in (last.room_id, last.turnover_by)
        ]
    margins = margins_of(lines, now)
    if last is not None:
        helped = last.turnover_by != last.practitioner_id
        ends = {last.room_id: over, last.practitioner_id: now if helped else over}
        for who, end in ends.items():
            behind = timedelta(minutes=margins.buffers.get(who, Buffer()).after)
            if behind:
                kept = Period(end, end + behind)
                wanted.append(
                    claims.Wanted(bookable_id=who, period=kept, phase=Phase.BUFFER, line_id=last.id)
                )
    kits = {line.kit_id: line for line in lines if line.kit_id and line.started_at is not None}
    for one in wanted:
        if not claimed.busy([one.bookable_id], one.period, now):
            claims.claim(wanted=[one], now=now, visit_id=visit.id)
    if kits and margins.way_back.is_planned:
        way = with_soaking(
            margins.way_back,
            location_id=visit.location_id,
            since=now,
            now=now,
            without=[visit.id],
            is_locked=True,
        )
        for kit_id, line in kits.items():
            _send_back(visit, kit_id, line, now, over, way, len(kits))


def _send_back(
    visit: Visit, kit_id: UUID, line: Line, now: datetime, over: datetime, way: WayBack, kits: int
) -> None:
    """Plan a kit's way back from the end of the turnover, until then it waits; nobody's time is taken."""
    parts = way_back_claims(kit_id, line.id, over, way, kits)
    if now < over:
        waits = Period(now, over)
        parts.insert(
            0,
            claims.Wanted(
                bookable_id=kit_id, period=waits, phase=Phase.REPROCESSING, line_id=line.id
            ),
        )
    free = parts and not claimed.busy([kit_id], Period(now, parts[-1].period.end), now)
    if free:
        claims.claim(wanted=parts, now=now, visit_id=visit.id)


def _leave_room(actor: Actor, now: datetime, visit: Visit, lines: Sequence[Line]) -> None:
    room_id = visit.room_id
    assert room_id is not None  # noqa: S101
    blood = any(line.blood_seen_at for line in lines if line.room_id == room_id)
    rooms.leave(actor=actor, now=now, room_id=room_id, visit_id=visit.id, blood_seen=blood)


def _running(lines: Sequence[Line], room_id: UUID) -> None:
    still = [line for line in lines if line.room_id == room_id and line.state != "planned"]
    if still:
        raise LinesOpen(count=len(still))


@action
def record_leaving(
    *, actor: Actor, now: datetime, visit_id: UUID, match: int | None = None
) -> Visit:
    """The client leaves: the room needs turnover from now on. Paying has nothing to do with it.

    Raises `LinesOpen` while a line is planned, running or paused.
    """
    claims.lock_bookables(queries.bookables_held(visit_id))
    visit = queries.locked_visit(visit_id, actor, match=match)
    needs_state(visit, VisitState.ARRIVED, VisitState.IN_ROOM)
    every = queries.lines_of(visit.id)
    still = [line for line in every if line.state in queries.OPEN]
    if still:
        raise LinesOpen(count=len(still))
    room_id = visit.room_id
    if room_id is not None:
        _leave_room(actor, now, visit, every)
    _plan_turnover(actor, now, visit, every)
    visit.state, visit.left_at, visit.room_id = VisitState.LEFT, now, None
    put(visit, fields=["state", "left_at", "room_id"])
    visit_evidence("visit.left", visit, {"room_id": room_id})
    return visit
