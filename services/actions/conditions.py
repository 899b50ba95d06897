"""Setting and lifting what binds a client's bookings, and what languages the team speaks."""

from collections.abc import Collection
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.registry import Holding, register
from services.models import BookingCondition, SpokenLanguages
from services.queries import conditions as queries
from services.rules.conditions import ConditionKind
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import NotAllowed, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.tenancy.sealing import Erased, seal
from spa_ops.unit.work import action, current

_LEADS = {Role.LEAD, Role.OWNER}
#: kind -> what it must say.
_SAYS = {
    ConditionKind.NEEDS_LONGER: "extra_minutes",
    ConditionKind.LANGUAGE: "language",
    ConditionKind.PREFERRED_PRACTITIONER: "practitioner_id",
    ConditionKind.REFUSED_PRACTITIONER: "practitioner_id",
}
_FIELDS = ("extra_minutes", "language", "practitioner_id")
#: Of these several may stand at a time.
_SEVERAL = {ConditionKind.REFUSED_PRACTITIONER}


@action
def set_condition(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    kind: ConditionKind,
    required: bool = False,
    **said: Any,
) -> BookingCondition:
    """Bind every coming plan for a client; one of the same kind that stands is lifted first.

    What is booked already stays as it is. Locks the client. Raises `NotFound`, `Erased`,
    `MergedAway`, `InvalidInput` where what the kind needs is missing or something else is said.
    """
    for name in _FIELDS:
        if (name == _SAYS.get(kind)) != bool(said.get(name)):
            needed = name == _SAYS.get(kind)
            raise invalid(f"/{name}", f"{'is needed' if needed else 'is not'} for {kind.value}")
    if said.get("practitioner_id"):
        tenancy.loaded(Person, said["practitioner_id"], actor)
    return _set(actor, now, client_id, kind, required=required, **said)


@action
def refuse_booking(
    *, actor: Actor, now: datetime, client_id: UUID, reason: str
) -> BookingCondition:
    """Set that a client is not booked, and why, sealed: leads read it, the desk sees that alone.

    Raises `NotFound`, `Erased`, `MergedAway`.
    """
    return _set(actor, now, client_id, ConditionKind.DO_NOT_BOOK, reason=reason)


def _set(
    actor: Actor, now: datetime, client_id: UUID, kind: ConditionKind, *, reason: str = "", **said: Any
) -> BookingCondition:  # fmt: skip
    client = queries.locked_client(client_id, actor)
    if client.erased_at is not None:
        raise Erased
    for former in queries.standing(client.id, kind):
        if kind not in _SEVERAL or former.practitioner_id == said.get("practitioner_id"):
            _lift(actor, now, former)
    row = BookingCondition(
        business_id=client.business_id,
        client_id=client.id,
        kind=kind.value,
        sealed_reason=seal(client.business_id, client.id, reason.encode()) if reason else None,
        recorded_at=now,
        set_by=actor.person_id,
        **said,
    )
    row.save(force_insert=True)
    told = [f"{name}={said[name]}" for name in (*_FIELDS, "required") if said.get(name)]
    personal = {"kind": kind.value, "said": " ".join(told) or None, "reason": reason or None}
    current().evidence(
        "client.condition_set",
        location_id=actor.location_id,
        subject_id=client.id,
        facts={"client_id": client.id, "condition_id": row.id},
        personal=personal,
        client_id=client.id,
    )
    return row


@action
def lift_condition(*, actor: Actor, now: datetime, condition_id: UUID) -> BookingCondition:
    """End a condition. Raises `NotFound`, `WrongState` once lifted; that nobody books: `NotAllowed` but for leads."""
    row = queries.locked_condition(condition_id, actor)
    if row.kind == ConditionKind.DO_NOT_BOOK and actor.role not in _LEADS:
        raise NotAllowed(needed=", ".join(sorted(_LEADS)))
    if row.lifted_at is not None:
        raise WrongState(thing="condition", state="lifted", needed="a standing one")
    _lift(actor, now, row)
    return row


def _lift(actor: Actor, now: datetime, row: BookingCondition) -> None:
    row.lifted_at, row.lifted_by = now, actor.person_id
    row.save(update_fields=["lifted_at", "lifted_by"])
    current().evidence(
        "client.condition_lifted",
        location_id=actor.location_id,
        subject_id=row.client_id,
        facts={"client_id": row.client_id, "condition_id": row.id},
    )


@action
def read_refusals(*, actor: Actor, now: datetime, client_id: UUID) -> list[dict[str, Any]]:
    """Why a client is not booked, for a lead's eyes: recorded as a read. Raises `NotFound`, `Erased`."""
    client = record_read(actor=actor, now=now, client_id=client_id)
    return queries.reasons_of(client.id)


@action
def set_languages(
    *, actor: Actor, now: datetime, person_id: UUID, languages: Collection[str]
) -> SpokenLanguages:
    """The languages that a team member speaks with clients, all of them anew. Raises `NotFound`."""
    row = queries.locked_languages(person_id, actor)
    if row is None:
        row = SpokenLanguages(business_id=actor.business_id, person_id=person_id)
    row.languages, row.recorded_at = sorted(set(languages)), now
    row.save(force_insert=row._state.adding)
    current().evidence(
        "person.languages_set",
        location_id=None,
        subject_id=person_id,
        facts={"person_id": person_id, "languages": row.languages},
    )
    return row


def _blank(client_id: UUID, now: datetime) -> int:
    rows = queries.of_client(client_id)
    for row in rows:
        row.extra_minutes, row.language, row.practitioner_id, row.required = 0, "", None, False
        row.lifted_at = row.lifted_at or now
        row.kind, row.sealed_reason = "erased", None
        row.save()
    return len(rows)


def register_holdings() -> None:
    """Conditions are told to the client and blanked; after a merge all records' conditions bind."""
    register(Holding(table="services_booking_condition", export=queries.exported, erase=_blank))
