"""Saying that two clients who look alike are two people."""

from datetime import datetime
from uuid import UUID

from clients.models import Client, ToldApart
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action, current


@action
def tell_apart(*, actor: Actor, now: datetime, client_id: UUID, other_id: UUID) -> Client:
    """The two are not the same person: they are suggested no more. Said once, whoever is named first.

    Locks the one with the lower id. Raises `NotFound`, `InvalidInput` for one and the same.
    """
    if client_id == other_id:
        raise invalid("/client_id", "must be another client")
    first, second = sorted((client_id, other_id))
    tenancy.locked(Client, first, actor)
    found = {each: tenancy.loaded(Client, each, actor) for each in (first, second)}
    if not ToldApart.objects.filter(client_id=first, other_id=second).exists():
        row = ToldApart(
            business_id=actor.business_id, client_id=first, other_id=second,
            recorded_at=now, recorded_by=actor.person_id,
        )  # fmt: skip
        row.save(force_insert=True)
        current().evidence(
            "client.told_apart",
            location_id=None,
            subject_id=first,
            facts={"client_id": first, "other_id": second},
        )
    return found[client_id]
