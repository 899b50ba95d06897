"""Showing a visit's set-up list, and ticking it off item by item."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.registry import Holding, register
from services.actions.booking import needs_state, visit_evidence
from services.models import SetUpTick, Visit, VisitState
from services.queries import set_up as queries
from services.queries.visits import locked_visit
from services.rules.set_up_ticks import is_complete, standing
from services.set_up_files import shipped_set_up
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import NotAllowed, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action

#: Who may know what a client declared.
PRACTITIONERS = frozenset({Role.PRACTITIONER, Role.LEAD, Role.OWNER})


@action
def read_set_up(
    *, actor: Actor, now: datetime, visit_id: UUID
) -> tuple[Visit, queries.SetUp, dict[str, Any] | None]:
    """A visit, its list, and the notes that go with it for those who work on the client.

    They are shown what the client declared, so it is a recorded read; everybody else gets a list on
    which nothing depends on it, and no notes. Raises `NotFound`, `Erased`.
    """
    visit = tenancy.loaded(Visit, visit_id, actor)
    place = tenancy.location(visit.location_id, actor)
    if actor.role not in PRACTITIONERS:
        return visit, queries.for_everybody(visit, place), None
    record_read(actor=actor, now=now, client_id=visit.client_id, visit_id=visit.id)
    return visit, queries.for_practitioner(visit, place), queries.notes_for(visit)


@action
def tick_item(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    item: str,
    laid_out: bool,
    at: datetime | None = None,
    id: UUID | None = None,
) -> SetUpTick:
    """Keep that an item was laid out, as many as the list asks for, or is not laid out after all.

    Locks the visit. The tick that makes the list complete leaves evidence. Raises `NotFound`;
    `WrongState` once the client has left or does not come, and for undoing what is not laid out;
    `NotAllowed` where only a practitioner may know which one it must be; `InvalidInput` for an item
    that is not on the list or struck out, and a time that lies ahead or before the booking.
    """
    visit = locked_visit(visit_id, actor)
    needs_state(visit, VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)
    if queries.by_practitioner(item) and actor.role not in PRACTITIONERS:
        raise NotAllowed(needed=", ".join(sorted(PRACTITIONERS)))
    happened_at = now if at is None else at
    if happened_at > now:
        raise invalid("/at", "lies ahead")
    if happened_at < visit.booked_at:
        raise invalid("/at", "is before the visit was booked")
    # The whole list, also for the desk: complete is what the practitioner's list is.
    found = queries.for_practitioner(visit, tenancy.location(visit.location_id, actor))
    row = SetUpTick(
        business_id=visit.business_id,
        visit=visit,
        client_id=visit.client_id,
        item=item,
        count=_asked(found, item) if laid_out else _undone(found, item),
        laid_out=laid_out,
        happened_at=happened_at,
        recorded_at=now,
        recorded_by=actor.person_id,
        **({"id": id} if id else {}),
    )
    row.save(force_insert=True)
    ticks = standing([*found.ticks.values(), queries.tick_of(row)])
    if is_complete(found.items, ticks) and not is_complete(found.items, found.ticks):
        visit_evidence(
            "visit.set_up_completed",
            visit,
            {
                "tick_id": row.id,
                "items": len(found.items),
                "set_up_version": shipped_set_up().version,
                "wax_drawing": found.drawing.way.value,
            },
        )
    return row


def _asked(found: queries.SetUp, key: str) -> int:
    wanted = next((item for item in found.items if item.key == key), None)
    if wanted is None:
        raise invalid("/item", "is not on this visit's list", "unknown")
    if wanted.is_struck:
        raise invalid("/item", "is struck out", "struck_out")
    return wanted.count


def _undone(found: queries.SetUp, key: str) -> int:
    on_list = {item.key for item in found.items}
    tick = found.ticks.get(key)
    if tick is None and key not in on_list:
        raise invalid("/item", "is not on this visit's list", "unknown")
    if tick is None or not tick.laid_out:
        raise WrongState(thing="item", state="not laid out", needed="one that is")
    return 0


def register_holdings() -> None:
    """Ticks go by keys that tell nothing of health; they stay as the record of what was laid out."""
    register(Holding(table="services_set_up_tick", export=queries.exported_ticks))
