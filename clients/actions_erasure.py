"""Exporting, erasing and letting go of what is held of a client. Rows and evidence stay; words go."""

from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.models import Client, ClientWord
from clients.problems import RetentionHolds
from clients.queries import known_at
from clients.queries_people import check_left, ids_of
from clients.queries_record import due_for_expiry, everything_of, holds
from clients.registry import HOLDINGS
from spa_ops.claims.actions import close_bookable
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import destroy_key, renew_key
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


class Asker(StrEnum):
    """Who asked that a client is erased."""

    CLIENT = "client"
    GUARDIAN = "guardian"
    AUTHORITY = "authority"
    BUSINESS = "business"


class Reason(StrEnum):
    """Why; a code, because words about a client would outlive them in the evidence log."""

    WISH = "wish"
    CONSENT_WITHDRAWN = "consent_withdrawn"
    LEGAL_DUTY = "legal_duty"
    NOT_NEEDED = "not_needed"


@action
def export_client(*, actor: Actor, now: datetime, client_id: UUID) -> dict[str, Any]:
    """Everything that is held of a client, by table; recorded as a read of their health answers.

    Raises `NotFound` also where the client is not linked to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id)
    return {"client_id": client.id, "made_at": now, "tables": everything_of(client.id)}


@action
def erase_client(
    *, actor: Actor, now: datetime, client_id: UUID, asked_by: Asker, reason: Reason
) -> Client:
    """Destroy the client's key and blank what is in the clear; id, dates and evidence stay.

    Those merged into the client go with it: they are the same person. Once: erasing again changes nothing. Nothing is planned with the client any more; whoever calls
    has locked the bookables and seen to coming visits. Raises `NotFound`, `MergedAway`, `RetentionHolds`.
    """
    client = known_at(tenancy.locked(Client, client_id, actor), actor)
    if client.erased_at is not None:
        return client
    check_left(client)
    if kept := holds(client, now):
        raise RetentionHolds(holds=kept)
    for other in sorted(ids_of(client.id)[1:]):
        _erase(tenancy.locked(Client, other, actor), now, asked_by, reason)
    _erase(client, now, asked_by, reason)
    return client


def _erase(client: Client, now: datetime, asked_by: Asker, reason: Reason) -> None:
    close_bookable(client.id)
    destroy_key(client.business_id, client.id, now)
    ClientWord.objects.filter(client=client).delete()
    for _, holding in sorted(HOLDINGS.items()):
        if holding.erase is not None:
            holding.erase(client.id, now)
    blank = {"name": "", "sort_name": "", "phone": "", "email": "", "birth_date": None, "zone": "",
             "language": "", "note": "", "guardian": None, "chosen_practitioner_id": None, "unverified_health": None, "erased_at": now}  # fmt: skip
    for name, value in blank.items():
        setattr(client, name, value)
    put(client, fields=list(blank))
    current().evidence(
        "client.erased",
        location_id=None,
        subject_id=client.id,
        facts={"client_id": client.id, "asked_by": asked_by.value, "reason": reason.value},
    )


@action
def expire_health_answers(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Make unreadable what was sealed for a batch of clients beyond the retention rule; returns how many.

    A client who comes back is asked everything anew, under a fresh key. Safe to run twice.
    """
    due = [row["client_id"] for row in due_for_expiry(location_id, now)]
    # Whom somebody is writing just now is looked at by the next sweep.
    rows = Client.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    locked = {client.id: client for client in rows.filter(id__in=due).order_by("id")}
    # Read again: another sweep, or a new answer, may have come before the lock.
    still = {row["client_id"] for row in due_for_expiry(location_id, now)} if locked else set()
    for client_id in sorted(locked.keys() & still):
        renew_key(actor.business_id, client_id, now)
        client = locked[client_id]
        if client.unverified_health is not None:
            client.unverified_health = None
            put(client, fields=["unverified_health"])
    done = sorted(locked.keys() & still)
    if done:
        current().evidence(
            "client.health_expired",
            location_id=location_id,
            subject_id=location_id,
            facts={"client_ids": done, "count": len(done)},
        )
    return len(done)
