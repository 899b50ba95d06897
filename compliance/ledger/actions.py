"""Turns collected evidence into the payload of the SQL function that appends it."""

import os
from typing import Any
from uuid import UUID

from compliance.ledger.kind_files import KINDS
from compliance.ledger.rules.format import canonical_json, commitment, header_parts
from spa_ops.kernel.clock import rfc3339
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.work import Evidence, UnitOfWork


def entries_payload(unit: UnitOfWork, entries: list[Evidence]) -> list[dict[str, Any]]:
    """One element per entry for `ledger_append`; n, prev_hash and recorded_at are set under the head lock.

    Raises ValueError for a kind without a schema file or facts that do not fit it: a bug of ours.
    """
    return [_entry(unit, item) for item in entries]


def _entry(unit: UnitOfWork, item: Evidence) -> dict[str, Any]:
    schema = KINDS.latest(item.kind)
    facts = _plain(item.facts)
    personal = _plain(item.personal) if item.personal is not None else None
    schema.check(facts, personal)
    facts_text = canonical_json(facts)
    salt = os.urandom(32)
    occurred = rfc3339(item.occurred_at or unit.now)
    payload: dict[str, Any] = {}
    personal_commitment = None
    if personal is not None:
        if item.client_id is None:
            raise ValueError(f"{item.kind}: a personal body needs the client whose it is")
        personal_salt, plain = os.urandom(32), canonical_json(personal)
        personal_commitment = commitment(personal_salt, plain)
        sealed = seal(unit.actor.business_id, item.client_id, personal_salt + plain)
        payload = {"client": str(item.client_id), "sealed": sealed.hex()}
    actor = unit.actor
    before_n, after_n = header_parts(
        actor_person=_text(actor.person_id),
        actor_role=actor.role.value if actor.role else None,
        auth=actor.auth.value,
        body_v=schema.version,
        business=str(actor.business_id),
        facts_commitment=commitment(salt, facts_text),
        personal_commitment=personal_commitment,
        device=_text(actor.device_id),
        device_entry_n=item.device_entry_n,
        kind=item.kind,
        location=_text(item.location_id),
        occurred_at=occurred,
    )
    return payload | {
        "chain": str(item.location_id or actor.business_id),
        "business": str(actor.business_id),
        "before_n": before_n,
        "after_n": after_n,
        "recorded_at": rfc3339(unit.now),
        "occurred_at": occurred,
        "kind": item.kind,
        "subject": str(item.subject_id),
        "person": _text(actor.person_id),
        "facts": facts_text.decode(),
        "facts_salt": salt.hex(),
    }


def _plain(value: Any) -> Any:
    """JSON values only: ids and times as text, so that the canonical form is one.

    Raises TypeError for an object's name that is no text.
    """
    if value is None or type(value) in {str, int, bool}:
        return value
    if isinstance(value, dict):
        return {_name(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, str):
        return str.__str__(value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return value
    return rfc3339(value) if hasattr(value, "tzinfo") else str(value)


def _name(name: Any) -> str:
    if not isinstance(name, str):
        raise TypeError(f"{name!r} is no name of a value")
    return str.__str__(name)


def _text(value: UUID | None) -> str | None:
    return str(value) if value else None
