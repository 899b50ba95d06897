"""Merging two records of one person, and undoing it: here and not in clients, because of visits."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients import actions_merge as clients
from clients.queries import client_named, known_at
from clients.queries_people import chain_of, ids_of
from services.actions.erasure import everywhere
from services.actions.patch_tests import locked_visits_here, screen_again
from services.models import ForesightDue, Visit
from services.problems import VisitsToMove
from services.queries.client_record import visit_ends, visits_not_over
from spa_ops.claims.actions import lock_bookables
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import NotFound, invalid
from spa_ops.unit.problems import UnknownReference
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action


@action
def merge_client(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    into_id: UUID,
    reason: clients.MergeReason | None = None,
) -> Any:
    """The client and `into` are one person, and `into` is left. Returns that one.

    Its coming visits, and those it is here for, are looked at again by what is known of both.
    Raises `InvalidInput` for one and the same, `VisitsToMove` for visits of the client that are
    not over, and what `clients.actions_merge.merge_client` raises.
    """
    if client_id == into_id:
        raise invalid("/into", "must be another client")
    for each in (client_id, into_id):
        known_at(client_named(each), actor)
    # Nobody books either from here on: a booking takes these locks first.
    _lock([client_id, into_id])
    if waiting := visits_not_over(ids_of(client_id)):
        raise VisitsToMove(visits=_with_overlaps(waiting, visits_not_over(ids_of(into_id))))
    here = locked_visits_here(everywhere(actor), into_id, now)
    into, is_new = clients.merge_client(
        actor=actor, now=now, client_id=client_id, into_id=into_id, reason=reason
    )
    if is_new:
        _look_again(actor, now, into.id, here)
    return into


@action
def undo_merge(*, actor: Actor, now: datetime, client_id: UUID) -> Any:
    """The client is a record of its own again; what both are known by is judged anew.

    Raises what `clients.actions_merge.undo_merge` raises.
    """
    known_at(client_named(client_id), actor)
    chain = chain_of(client_id)
    _lock(chain)
    here = locked_visits_here(everywhere(actor), client_id, now)
    client = clients.undo_merge(actor=actor, now=now, client_id=client_id)
    _look_again(actor, now, chain[-1], here)
    return client


def _lock(client_ids: list[UUID]) -> None:
    try:
        lock_bookables(client_ids)
    except UnknownReference:
        raise NotFound from None


def _look_again(actor: Actor, now: datetime, client_id: UUID, here: list[Visit]) -> None:
    insert([ForesightDue(business_id=actor.business_id, client_id=client_id, since=now)])
    screen_again(everywhere(actor), now, here)


def _with_overlaps(waiting: list[Visit], others: list[Visit]) -> list[dict[str, Any]]:
    """Each visit to be moved, and which of the other's visits it would meet."""
    ends = visit_ends([visit.id for visit in (*waiting, *others)])
    return [
        {
            "id": str(visit.id),
            "location_id": str(visit.location_id),
            "starts_at": rfc3339(visit.starts_at),
            "state": visit.state,
            "overlaps": [
                str(other.id)
                for other in others
                if other.starts_at < ends[visit.id] and visit.starts_at < ends[other.id]
            ],
        }
        for visit in waiting
    ]
