"""Changes to lines that keep their place in the visit: one takes longer, or somebody else performs them."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from uuid import UUID

from services.actions.booking import change_of, locked_with_lines, needs_state, visit_evidence
from services.actions.checking import check_hours, check_plan, doers_of, facts_for
from services.actions.consultation import is_screened, screen_lines
from services.actions.plans import LineRequest, span_fields, spans_of_line, take_time
from services.models import Line, LineState, Visit, VisitState
from services.queries import planning
from services.queries import visits as queries
from services.queries.planning import PlanFacts, minutes_of
from services.rules.phases import LineSpans, Minutes, following, own_spans, shared_ends
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import Busy, WrongState
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action

_PARTS = ("starts_at", "hands_on_at", "unattended_at", "aftercare_at", "ends_at")
_RUNNING = (LineState.STARTED, LineState.PAUSED)


@action
def extend_line(
    *, actor: Actor, now: datetime, line_id: UUID, minutes: int, match: int | None = None
) -> Visit:
    """Give a line that runs so many minutes more; what is planned after it is pushed as far as it must be.

    Only free time is taken. Raises `NotFound`, `WrongState` unless it runs, `ClaimClash`, `OffShift`,
    `OutsideOpeningHours`; nothing is changed then.
    """
    old = queries.line_of(line_id)
    location_id, client_id = queries.place_and_client_of(old.visit_id)
    known = queries.lines_of(old.visit_id)
    facts = planning.plan_facts(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        service_ids=(),
        room_ids=(),
        kit_ids=(),
        person_ids={x.practitioner_id for x in known},
    )
    visit, lines = locked_with_lines(actor, old.visit_id, facts.attendants, match=match)
    live = _live(lines)
    line = next((x for x in live if x.id == line_id), old)
    if line.state not in _RUNNING:
        raise WrongState(thing="line", state=line.state, needed="started or paused")
    more = timedelta(minutes=minutes)
    # More hands-on time: what develops behind it comes later.
    for name in ("unattended_at", "aftercare_at", "ends_at"):
        _shift(line, name, more)
    changed = [line, *_pushed(live, facts)]
    for one in changed:
        check_hours(facts, spans_of_line(one), one.practitioner_id, live.index(one))
    _settle(now, visit, facts, live, changed)
    visit_evidence(
        "line.extended",
        visit,
        {"line_id": line.id, "minutes": minutes, "ends_at": line.ends_at},
    )
    put(visit, fields=[])
    return visit


def _live(lines: Sequence[Line]) -> list[Line]:
    return sorted((x for x in lines if x.state != LineState.DROPPED), key=lambda x: x.starts_at)


def _pushed(live: Sequence[Line], facts: PlanFacts) -> list[Line]:
    """Move each planned line behind the one before it, where that now reaches into it."""
    moved = []
    for former, line in pairwise(live):
        if line.state != LineState.PLANNED:
            continue
        by = _earliest(facts, former, line) - line.starts_at
        if by > timedelta(0):
            for name in _PARTS:
                _shift(line, name, by)
            moved.append(line)
    return moved


def _shift(line: Line, name: str, by: timedelta) -> None:
    at = getattr(line, name)
    setattr(line, name, None if at is None else at + by)


def _earliest(facts: PlanFacts, former: Line, line: Line) -> datetime:
    # What followed closely before still may: nobody needs more time between two lines than was planned.
    between = following(
        former.ends_at,
        minutes_of(former.service, least_clean_up=facts.least_clean_up),
        minutes_of(line.service, least_clean_up=facts.least_clean_up),
        same_room=former.room_id == line.room_id,
        same_practitioner=former.practitioner_id == line.practitioner_id,
    )
    return max(between, former.ends_at)


@action
def reassign_visit(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    practitioner_id: UUID,
    reason: str = "",
    match: int | None = None,
) -> Visit:
    """Have somebody else perform every line that has not begun, at its time and in its room.

    A consultation is held with each practitioner: later lines are pushed where it needs its minutes.
    Raises what booking raises, and `WrongState` where no line is left to be given over.
    """
    there = queries.place_and_client_of(visit_id)
    planned = [x for x in queries.lines_of(visit_id) if x.state == LineState.PLANNED]
    if not planned:
        raise WrongState(thing="visit", state="without a planned line", needed="one")
    facts = facts_for(actor, now, *there, [_request(x, practitioner_id) for x in planned])
    visit, lines = locked_with_lines(
        actor, visit_id, facts.attendants | {practitioner_id}, match=match
    )
    needs_state(visit, VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)
    live = _live(lines)
    changed = [x for x in live if x.state == LineState.PLANNED]
    if not {x.service_id for x in changed} <= facts.services.keys():
        raise Busy  # a line came in until the visit was locked
    if all(x.practitioner_id == practitioner_id for x in changed):
        raise WrongState(
            thing="visit", state="with this practitioner", needed="another one's lines"
        )
    for line in changed:
        before = live[: live.index(line)]
        line.practitioner_id = practitioner_id
        consulted = any(x.practitioner_id == practitioner_id for x in before)
        start = (
            max(line.starts_at, _earliest(facts, before[-1], line)) if before else line.starts_at
        )
        minutes = facts.minutes(line.service_id, practitioner_id, shortened=line.shortened)
        span = own_spans(minutes, start, consulted=consulted)
        for name in _PARTS:
            setattr(line, name, getattr(span, name))
    spans = [spans_of_line(x) for x in changed]
    check_plan(facts, [_request(x, practitioner_id) for x in changed], spans)
    was_at, visit.starts_at = visit.starts_at, live[0].starts_at
    _settle(now, visit, facts, live, changed)
    if any(is_screened(visit, x, facts.place, now) for x in live):
        screen_lines(visit, facts.place, live, now)
    put(visit, fields=["starts_at"])
    insert([change_of(visit, "reassigned", now, actor, was_at=was_at, is_at=visit.starts_at, reason=reason)])  # fmt: skip
    visit_evidence(
        "visit.reassigned",
        visit,
        {"practitioner_id": practitioner_id, "line_ids": [x.id for x in changed]},
    )
    return visit


def _request(line: Line, practitioner_id: UUID) -> LineRequest:
    return LineRequest(
        service_id=line.service_id,
        practitioner_id=practitioner_id,
        room_id=line.room_id,
        kit_id=line.kit_id,
        starts_at=line.starts_at,
    )


def _settle(
    now: datetime, visit: Visit, facts: PlanFacts, live: Sequence[Line], changed: Sequence[Line]
) -> None:
    """Draw set-ups and turnovers anew, find who does them, and take the visit's time again."""
    before = {x.id: (x.set_up_at, x.turnover_ends_at) for x in live}
    drawn: list[tuple[UUID, LineSpans, Minutes]] = [
        (x.room_id, spans_of_line(x), minutes_of(x.service, least_clean_up=facts.least_clean_up))
        for x in live
    ]
    for line, ends in zip(live, shared_ends(drawn), strict=True):
        line.set_up_at, line.turnover_ends_at = ends
    claims.release(visit_id=visit.id)
    again = [
        x
        for x in live
        if x in changed
        or (x.state in queries.OPEN and before[x.id] != (x.set_up_at, x.turnover_ends_at))
    ]
    spans = [spans_of_line(x) for x in again]
    found = doers_of(facts, [_request(x, x.practitioner_id) for x in again], spans, now)
    for line, doers in zip(again, found, strict=True):
        line.turnover_by = doers.turnover_by
        if line.state == LineState.PLANNED:
            line.set_up_by = doers.set_up_by
    if again:
        names = ["practitioner", *span_fields(spans[0], found[0])]
        Line.objects.bulk_update(live, names)
    held = [x for x in live if x.state in queries.OPEN or x.turnover_ends_at > now]
    take_time(visit, held, now)
