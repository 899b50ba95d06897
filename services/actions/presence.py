"""Who else is in the room: the guardian of a minor, a chaperone. Facts of the visit, corrected by later ones."""

from datetime import datetime
from uuid import UUID

from services.actions.booking import needs_state, visit_evidence
from services.actions.consultation import is_screened, screen_lines
from services.models import Visit, VisitState
from services.queries import visits as queries
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.unit.rows import put
from spa_ops.unit.work import action

_HERE = (VisitState.ARRIVED, VisitState.IN_ROOM)


@action
def record_guardian(
    *, actor: Actor, now: datetime, visit_id: UUID, present: bool, relation: str = ""
) -> Visit:
    """The guardian is here, or (left, or a mis-tap) is not; open lines are decided anew.

    Raises `NotFound`, `WrongState` unless the client is here.
    """
    visit = queries.locked_visit(visit_id, actor)
    needs_state(visit, *_HERE)
    visit.guardian_present_at = now if present else None
    put(visit, fields=["guardian_present_at"])
    visit_evidence(
        "visit.guardian_present", visit, {"present": present}, {"relation": relation or None}
    )
    place = tenancy.location(visit.location_id, actor)
    lines = queries.lines_of(visit.id)
    if any(is_screened(visit, line, place, now) for line in lines):
        screen_lines(visit, place, lines, now)
    return visit


@action
def record_chaperone(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    accepted: bool,
    chaperone_id: UUID | None = None,
) -> Visit:
    """A chaperone was offered: declined, or accepted and who of the team it is.

    Raises `NotFound`, `InvalidInput` unless exactly an accepted offer names somebody, `WrongState`
    unless the client is here.
    """
    visit = queries.locked_visit(visit_id, actor)
    if accepted != (chaperone_id is not None):
        raise invalid("/chaperone_id", "names who it is, when the offer is accepted", "required")
    needs_state(visit, *_HERE)
    if chaperone_id is not None:
        tenancy.loaded(Person, chaperone_id, actor)
    visit.chaperone_accepted, visit.chaperone_id = accepted, chaperone_id
    put(visit, fields=["chaperone_accepted", "chaperone_id"])
    facts = {"accepted": accepted, "chaperone_id": chaperone_id}
    visit_evidence("visit.chaperone_offered", visit, facts)
    return visit
