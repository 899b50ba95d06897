"""Mis-taps on visits and lines: a new entry says what was wrong, who and why; the state is put right.

What was recorded stays visible. Health answers, implement events and turnover steps have their own.
"""

from datetime import datetime
from uuid import UUID

from clients.rules.patch_tests import PATCH_TEST_METHOD
from services.actions import booking
from services.actions.booking import visit_evidence
from services.actions.patch_tests import strike_tests_of_line
from services.actions.stock import use_due
from services.models import LineState, Visit, VisitState
from services.queries import visits as queries
from services.queries.treatments import OVER
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import WrongState
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action

#: What a visit's state goes back to when it was tapped by mistake.
VISIT_BEFORE = {
    VisitState.ARRIVED: VisitState.BOOKED,
    VisitState.CANCELLED: VisitState.BOOKED,
    VisitState.NO_SHOW: VisitState.BOOKED,
}
#: The same for a line; a stopped one is paused again, so that going on is confirmed anew.
LINE_BEFORE = {
    LineState.STARTED: LineState.PLANNED,
    LineState.FINISHED: LineState.STARTED,
    LineState.STOPPED: LineState.PAUSED,
}


@action
def strike_visit_state(*, actor: Actor, now: datetime, visit_id: UUID, reason: str) -> Visit:
    """Arrived, cancelled or not come was a mistake: the visit is booked as before.

    Time that was given back is taken again; raises `ClaimClash` when somebody else has it now, and
    `WrongState` for any other state.
    """
    visit, lines = booking.locked_with_lines(actor, visit_id, set())
    was = VisitState(visit.state)
    if was not in VISIT_BEFORE:
        raise WrongState(thing="visit", state=visit.state, needed="arrived, cancelled or not come")
    if was is not VisitState.ARRIVED:
        live = [line for line in lines if line.state != LineState.DROPPED]
        booking.take_time(visit, live, now)
    visit.state, visit.arrived_at = VISIT_BEFORE[was], None
    put(visit, fields=["state", "arrived_at"])
    visit_evidence("visit.struck", visit, {"was": was.value, "is": visit.state}, {"reason": reason})
    return visit


@action
def strike_line_state(*, actor: Actor, now: datetime, line_id: UUID, reason: str) -> Visit:
    """Started, finished or stopped was a mistake, while the client is still in the room.

    Raises `WrongState` for another state, or once the client has left.
    """
    line, visit = queries.line_and_visit(line_id, actor)
    if visit.state != VisitState.IN_ROOM or line.bleeding_since is not None:
        raise WrongState(thing="visit", state=visit.state, needed="the client in the room")
    was = LineState(line.state)
    before = LINE_BEFORE.get(was)
    if before is None:
        raise WrongState(thing="line", state=line.state, needed="started, finished or stopped")
    line.state = before
    if before is LineState.PLANNED:
        line.started_at = None
    line.finished_at = None
    line.save(update_fields=["state", "started_at", "finished_at"])
    if was is LineState.FINISHED and line.method == PATCH_TEST_METHOD:
        strike_tests_of_line(actor=actor, now=now, visit=visit, line=line, reason=reason)
    if was in OVER:
        insert([use_due(line, visit, now)])
    visit_evidence(
        "line.struck",
        visit,
        {"line_id": line.id, "was": was.value, "is": line.state},
        {"reason": reason},
    )
    put(visit, fields=[])
    return visit
