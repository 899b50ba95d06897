"""Reads of booking conditions and of the languages that people speak."""

from typing import Any
from uuid import UUID

from clients.holdings import plain
from clients.models import Client
from clients.queries import known_at
from clients.queries_people import ids_of
from services.models import BookingCondition, SpokenLanguages
from services.queries.treatments import locked_client
from services.rules.conditions import ConditionKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.tenancy.sealing import under_present_key, unseal

__all__ = ["locked_client"]


def records_of(client_id: UUID, actor: Actor) -> list[UUID]:
    """The ids of a client's records; raises `NotFound` also where they are not known to the actor's location."""
    return ids_of(known_at(tenancy.loaded(Client, client_id, actor), actor).id)


def standing(client_id: UUID, kind: ConditionKind) -> list[BookingCondition]:
    """A person's standing conditions of one kind, on whichever of their records, oldest first."""
    rows = BookingCondition.objects.filter(
        client_id__in=ids_of(client_id), kind=kind, lifted_at=None
    )
    return list(rows.order_by("recorded_at", "id"))


def locked_condition(condition_id: UUID, actor: Actor) -> BookingCondition:
    """A condition, locked; raises `NotFound` also where its client is not known to the actor's location."""
    row = (
        BookingCondition.objects.select_for_update(of=("self",), no_key=True)
        .select_related("client")
        .filter(id=condition_id)
        .first()
    )
    if row is None:
        raise NotFound
    known_at(row.client, actor)
    return row


def reasons_of(client_id: UUID) -> list[dict[str, Any]]:
    """Why a person is not booked, of each standing condition that says so. Unseals; raises `Erased`."""
    rows = under_present_key(
        BookingCondition.objects.filter(
            client_id__in=ids_of(client_id), kind=ConditionKind.DO_NOT_BOOK, lifted_at=None
        )
    )
    return [
        {
            "id": row.id,
            "reason": unseal(row.business_id, row.client_id, bytes(row.sealed_reason)).decode(),
            "recorded_at": row.recorded_at,
            "set_by": row.set_by,
        }
        for row in rows.order_by("recorded_at", "id")
        if row.sealed_reason is not None
    ]


def locked_languages(person_id: UUID, actor: Actor) -> SpokenLanguages | None:
    """What a team member speaks, the person locked; raises `NotFound`."""
    tenancy.locked(Person, person_id, actor)
    return SpokenLanguages.objects.filter(person_id=person_id).first()


def languages_of(person_id: UUID, actor: Actor) -> list[str]:
    """The codes of the languages that a team member speaks; raises `NotFound`."""
    tenancy.loaded(Person, person_id, actor)
    row = SpokenLanguages.objects.filter(person_id=person_id).first()
    return list(row.languages) if row else []


def exported(client_id: UUID) -> list[dict[str, Any]]:
    """Every condition of a client, for the client, as JSON values; also why they were not booked."""
    why = {one["id"]: one["reason"] for one in reasons_of(client_id)}
    rows = BookingCondition.objects.filter(client_id=client_id).order_by("recorded_at", "id")
    names = (
        "id", "kind", "extra_minutes", "language", "practitioner_id", "required", "recorded_at",
        "lifted_at",
    )  # fmt: skip
    return plain([row | {"reason": why.get(row["id"], "")} for row in rows.values(*names)])


def of_client(client_id: UUID) -> list[BookingCondition]:
    """Every condition of one record, lifted or not."""
    return list(BookingCondition.objects.filter(client_id=client_id))


def spoken(row_id: UUID) -> dict[str, Any]:
    """What a team member speaks, by the row's own id."""
    row = SpokenLanguages.objects.get(id=row_id)
    return {"id": row.id, "languages": row.languages}
