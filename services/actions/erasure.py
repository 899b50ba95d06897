"""Erasing a client together with what visits hold of them."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients import actions_erasure as clients
from clients.queries_people import ids_of
from clients.registry import Holding, register
from services.actions.booking import cancel_visit
from services.actions.rebooking import withdraw_rebooking
from services.models import Payment, VisitChange, VisitState
from services.problems import VisitsAhead
from services.queries import client_record as queries
from services.queries.recurring import exported_series
from spa_ops.claims.actions import lock_bookables
from spa_ops.kernel.actor import Actor, system_actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import Busy, NotFound
from spa_ops.unit.problems import UnknownReference
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def erase_client(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    asked_by: clients.Asker,
    reason: clients.Reason,
    cancel_visits: bool = False,
) -> Any:
    """Erase a client, booked visits cancelled first if asked to. Returns the client, blank.

    Raises `NotFound`, `VisitsAhead` listing them, `RetentionHolds`; of a visit that has begun,
    `VisitsAhead` also with `cancel_visits`.
    """
    ids = ids_of(client_id)
    try:
        # Nobody books the client from here on: a booking takes this lock first.
        lock_bookables(ids)
    except UnknownReference:
        raise NotFound from None
    if ids_of(client_id) != ids:
        raise Busy  # merged, or undone, until it was locked
    ahead = queries.visits_not_over(ids)
    begun = [visit for visit in ahead if visit.state != VisitState.BOOKED]
    if begun or (ahead and not cancel_visits):
        raise VisitsAhead(
            visits=[
                {"id": str(v.id), "location_id": str(v.location_id), "starts_at": rfc3339(v.starts_at),
                 "state": v.state}
                for v in ahead
            ]
        )  # fmt: skip
    for visit in ahead:
        cancel_visit(actor=everywhere(actor), now=now, visit_id=visit.id)
    return clients.erase_client(
        actor=actor, now=now, client_id=client_id, asked_by=asked_by, reason=reason
    )


def everywhere(actor: Actor) -> Actor:
    """The client's wish reaches every location; the evidence still names who recorded it."""
    return system_actor(actor.business_id) if actor.location_id is not None else actor


def _blank_visits(client_id: UUID, now: datetime) -> int:
    visits = queries.visits_with_words(client_id)
    for visit in visits:
        visit.note = ""
        put(visit, fields=["note"])
    # Why a plan was changed or money went back, in words; that it was, and how much, stays.
    changes = VisitChange.objects.filter(visit__client_id=client_id).exclude(reason="")
    returns = Payment.objects.filter(visit__client_id=client_id).exclude(reason="")
    return len(visits) + changes.update(reason="") + returns.update(reason="")


def _withdraw_dates(client_id: UUID, now: datetime) -> int:
    waiting = queries.waiting_dates(client_id)
    for rebooking_id in waiting:
        withdraw_rebooking(actor=everywhere(current().actor), now=now, rebooking_id=rebooking_id)
    return len(waiting)


def register_holdings() -> None:
    """Visits, work records and rebooking dates. Payments name amounts and who paid, as books must."""
    register(Holding(table="services_visit", export=queries.exported_visits, erase=_blank_visits))
    # A wake-up call that is gone within seconds: nothing to tell, nothing to blank.
    register(Holding(table="services_foresight_due", export=lambda _: []))
    register(Holding(table="services_work_record", export=queries.exported_work))
    register(
        Holding(table="services_rebooking", export=queries.exported_dates, erase=_withdraw_dates)
    )
    # A rule of the calendar: it says nothing once the visits are off.
    register(Holding(table="services_series", export=exported_series))
