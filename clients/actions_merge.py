"""Two records of one person become one, and two again. Nothing that was kept is moved or changed.

Whoever calls has locked the bookables of both and seen to visits: those belong to a higher app.
"""

from datetime import datetime
from enum import StrEnum
from uuid import UUID

from django.db.models import Max

from clients.actions import keep_words
from clients.models import Client, ClientMerge, Consent
from clients.problems import BirthDatesDiffer, TooLateToUndo
from clients.queries import known_at
from clients.queries_people import chain_of, check_left
from clients.rules.merging import can_be_undone, undone_until
from spa_ops.claims.actions import close_bookable
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import Busy, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action, current


class MergeReason(StrEnum):
    """How it came that there were two."""

    ENTERED_TWICE = "entered_twice"
    IMPORTED_TWICE = "imported_twice"
    NAME_CHANGED = "name_changed"
    CLIENT_SAID_SO = "client_said_so"


@action
def merge_client(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    into_id: UUID,
    reason: MergeReason | None = None,
) -> tuple[Client, bool]:
    """The client is the same person as `into`, which is left; and whether that was new.

    Said again it changes nothing. Raises `NotFound` unless both are known at the actor's location,
    `Erased`, `MergedAway` for one that was merged already, `BirthDatesDiffer`.
    """
    found = _locked(actor, [client_id, into_id])
    client, into = found[client_id], found[into_id]
    if client.merged_into_id == into.id:
        return into, False
    check_left(client)
    check_left(into)
    if None not in (client.birth_date, into.birth_date) and client.birth_date != into.birth_date:
        raise BirthDatesDiffer
    # Behind what `into` was asked before: only what it is asked from now on stands for both.
    asked = Consent.objects.filter(client=into).aggregate(last=Max("recorded_at"))["last"]
    client.merged_into_id, client.merged_at = into.id, max(now, asked) if asked else now
    row = ClientMerge(
        business_id=client.business_id, client=client, into=into, reason=reason or "",
        recorded_at=client.merged_at, recorded_by=actor.person_id,
    )  # fmt: skip
    insert([row])
    close_bookable(client.id)
    put(client, fields=["merged_into_id", "merged_at"])
    put(into, fields=[])
    keep_words(into)
    _evidence("client.merged", row)
    return into, True


@action
def undo_merge(*, actor: Actor, now: datetime, client_id: UUID) -> Client:
    """The client is a record of its own again, with all it had. What was recorded since stays where it is.

    Raises `NotFound`, `Erased`, `WrongState` for one that is not merged, `TooLateToUndo`.
    """
    chain = chain_of(client_id)
    found = _locked(actor, chain or [client_id])
    if chain_of(client_id) != chain:
        raise Busy  # somebody merged or undid along the chain until it was locked
    client = found[client_id]
    if client.merged_into_id is None or client.merged_at is None:
        raise WrongState(thing="client", state="not merged", needed="one that was merged")
    if not can_be_undone(client.merged_at, now):
        raise TooLateToUndo(until=rfc3339(undone_until(client.merged_at)))
    merge = ClientMerge.objects.filter(client=client, undoes_id=None).latest("recorded_at", "id")
    row = ClientMerge(
        business_id=client.business_id, client=client, into_id=merge.into_id, undoes_id=merge.id,
        recorded_at=now, recorded_by=actor.person_id,
    )  # fmt: skip
    insert([row])
    close_bookable(client.id, closed=False)
    client.merged_into_id = client.merged_at = None
    put(client, fields=["merged_into_id", "merged_at"])
    for other in chain[1:]:
        put(found[other], fields=[])
    for each in chain:
        keep_words(found[each])
    _evidence("client.merge_undone", row)
    return client


def _locked(actor: Actor, client_ids: list[UUID]) -> dict[UUID, Client]:
    """The clients, locked in the order of their ids. Raises `NotFound`, `Erased`."""
    found = {i: known_at(tenancy.locked(Client, i, actor), actor) for i in sorted(client_ids)}
    if any(client.erased_at is not None for client in found.values()):
        raise Erased
    return found


def _evidence(kind: str, row: ClientMerge) -> None:
    """In the business's own chain: clients are the same at all locations."""
    current().evidence(
        kind,
        location_id=None,
        subject_id=row.into_id,
        facts={
            "client_id": row.client_id,
            "into_id": row.into_id,
            **({"reason": row.reason or None} if row.undoes_id is None else {}),
        },
    )
