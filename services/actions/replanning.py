"""Lines added, swapped and dropped while a visit is booked or running: time, room and kit are checked."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from services.actions import booking, checking
from services.actions.booking import needs_state, visit_evidence
from services.actions.consultation import is_screened, screen_lines
from services.actions.plans import LineRequest, new_line, spans_of_line, take_time
from services.models import Line, LineState, Visit, VisitState
from services.problems import NotCovered
from services.queries import visits as queries
from services.queries.planning import PlanFacts, minutes_of
from services.queries.turnover_time import least_clean_up
from services.rules.phases import own_spans, shared_ends
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import action

_CHANGEABLE = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)


def _opened(
    actor: Actor, visit_id: UUID, more: set[UUID], match: int | None
) -> tuple[Visit, list[Line]]:
    """The visit with its lines, its bookables and `more` locked first; raises `StaleVersion`."""
    visit, lines = booking.locked_with_lines(actor, visit_id, more, match=match)
    needs_state(visit, *_CHANGEABLE)
    return visit, lines


def _facts(actor: Actor, now: datetime, visit_id: UUID, request: LineRequest) -> PlanFacts:
    return checking.facts_for(actor, now, *queries.place_and_client_of(visit_id), [request])


@action
def add_line(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    request: LineRequest,
    match: int | None = None,
) -> Visit:
    """One more line, after the last unless it says when; its area is screened if a consultation was held.

    Raises what booking raises: time, room and kit are checked as for a new visit.
    """
    facts = _facts(actor, now, visit_id, request)
    visit, lines = _opened(actor, visit_id, checking.named_by(request) | facts.attendants, match)
    live = _live(lines)
    _add(now, visit, facts, lines, request, starts_at=live[-1].ends_at if live else now)
    return visit


def _live(lines: Sequence[Line]) -> list[Line]:
    return sorted((x for x in lines if x.state != LineState.DROPPED), key=lambda x: x.starts_at)


def _add(
    now: datetime,
    visit: Visit,
    facts: PlanFacts,
    lines: Sequence[Line],
    request: LineRequest,
    *,
    starts_at: datetime,
) -> None:
    live = _live(lines)
    service = facts.services[request.service_id]
    consulted = any(x.practitioner_id == request.practitioner_id for x in live)
    minutes = facts.minutes(service.id, request.practitioner_id, shortened=request.shortened)
    span = own_spans(minutes, request.starts_at or starts_at, consulted=consulted)
    checking.check_plan(facts, [request], [span])
    doers = checking.doers_of(facts, [request], [span], now)
    line = new_line(visit, 1 + max(x.position for x in lines), request, service, span, doers[0])
    line.save(force_insert=True)
    _settle(now, visit, facts.place, [*live, line])
    visit_evidence("line.added", visit, {"line_id": line.id, "service_id": line.service_id})
    put(visit, fields=[])


def _settle(now: datetime, visit: Visit, place: Location, live: Sequence[Line]) -> None:
    """Draw set-ups and turnovers anew, take the time again, and screen again if that was done today."""
    live = sorted(live, key=lambda x: x.starts_at)
    least = least_clean_up(place, now)
    ends = shared_ends(
        [(x.room_id, spans_of_line(x), minutes_of(x.service, least_clean_up=least)) for x in live]
    )
    for line, (set_up_at, turnover_ends_at) in zip(live, ends, strict=True):
        line.set_up_at, line.turnover_ends_at = set_up_at, turnover_ends_at
    Line.objects.bulk_update(live, ["set_up_at", "turnover_ends_at"])
    claims.release(visit_id=visit.id)
    held = [x for x in live if x.state in queries.OPEN or x.turnover_ends_at > now]
    take_time(visit, held, now)
    if any(is_screened(visit, x, place, now) for x in live):
        screen_lines(visit, place, live, now)


def _line_of(line_id: UUID) -> Line:
    line = queries.line_of(line_id)
    if line.state != LineState.PLANNED:
        raise WrongState(thing="line", state=line.state, needed="planned; a started one is stopped")
    return line


@action
def drop_line(
    *, actor: Actor, now: datetime, line_id: UUID, reason: str, match: int | None = None
) -> Visit:
    """Take a planned line out and give its time back. The only line of a booked visit: cancel instead."""
    visit, lines = _opened(actor, _line_of(line_id).visit_id, set(), match)
    rest = _drop(visit, lines, line_id, reason)
    if not rest and visit.state == VisitState.BOOKED:
        raise WrongState(
            thing="visit", state="of one line", needed="another line, or cancel the visit"
        )
    _settle(now, visit, tenancy.location(visit.location_id, actor), rest)
    put(visit, fields=[])
    return visit


@action
def decline_line(
    *, actor: Actor, now: datetime, line_id: UUID, reason: str, match: int | None = None
) -> Visit:
    """The line's own practitioner declines it: it is dropped, its time is free, the reason is sealed.

    The visit stays, also without another line: the client may choose somebody else. Raises
    `NotFound`, `WrongState` unless it is planned, `NotCovered` for anybody else.
    """
    visit, lines = _opened(actor, _line_of(line_id).visit_id, set(), match)
    line = next(x for x in lines if x.id == line_id)
    if actor.person_id != line.practitioner_id:
        raise NotCovered
    rest = _drop(visit, lines, line_id, reason)
    visit_evidence(
        "line.declined",
        visit,
        {"line_id": line.id, "practitioner_id": line.practitioner_id},
        personal={"reason": reason},
    )
    _settle(now, visit, tenancy.location(visit.location_id, actor), rest)
    put(visit, fields=[])
    return visit


def _drop(visit: Visit, lines: Sequence[Line], line_id: UUID, reason: str) -> list[Line]:
    line = next(x for x in lines if x.id == line_id)
    if line.state != LineState.PLANNED:
        raise WrongState(thing="line", state=line.state, needed="planned; a started one is stopped")
    line.state = LineState.DROPPED
    line.save(update_fields=["state"])
    visit_evidence("line.dropped", visit, {"line_id": line.id}, personal={"reason": reason})
    return _live(lines)


@action
def swap_line(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    request: LineRequest,
    reason: str,
    match: int | None = None,
) -> Visit:
    """Another service in place of a planned line and at its time: dropped and added in one, or neither."""
    old = _line_of(line_id)
    facts = _facts(actor, now, old.visit_id, request)
    visit, lines = _opened(
        actor, old.visit_id, checking.named_by(request) | facts.attendants, match
    )
    _drop(visit, lines, line_id, reason)
    # The time of the dropped line is free for the new one.
    _add(now, visit, facts, lines, request, starts_at=old.starts_at)
    return visit
