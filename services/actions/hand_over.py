"""Handing over between shifts: given by one person, accepted by name by another."""

import json
from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import orjson

from services.models import HandOver
from services.problems import OwnHandOver
from services.queries import hand_over as queries
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import ActingPersonRequired, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def give_hand_over(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    shortages: Sequence[str] = (),
    id: UUID | None = None,
) -> HandOver:
    """Keep what stands at a location now, as it is shown, with what else is short; nobody has accepted it yet.

    Raises `NotFound`, `ActingPersonRequired` for nobody.
    """
    if actor.person_id is None:
        raise ActingPersonRequired
    place = tenancy.location(location_id, actor)
    shown = queries.what_stands(place, now)
    shown["shortages"] += [{"what": words, "kind": "told"} for words in shortages]
    row = HandOver(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        given_by_id=actor.person_id,
        given_at=now,
        shown=json.loads(orjson.dumps(shown, default=str)),
        incident_ids=queries.open_incidents(place),
    )
    put(row)
    current().evidence(
        "hand_over.given",
        location_id=place.id,
        subject_id=row.id,
        facts={
            "hand_over_id": row.id,
            "given_by": row.given_by_id,
            "rooms_not_ready": len(shown["rooms_not_ready"]),
            "soaks": len(shown["soaks"]),
            "soiled_kits": len(shown["soiled_kits"]),
            "solutions_over": sum(not bath["is_usable"] for bath in shown["solutions"]),
            "equipment": len(shown["equipment"]),
            "due": len(shown["due"]),
            "open_incidents": shown["incidents"]["open"],
            "shortages": len(shown["shortages"]),
        },
    )
    return row


@action
def accept_hand_over(*, actor: Actor, now: datetime, hand_over_id: UUID) -> HandOver:
    """Somebody else takes over by name what was shown. Locks it.

    Raises `NotFound`, `WrongState` where it was accepted, `OwnHandOver`, `ActingPersonRequired`.
    """
    if actor.person_id is None:
        raise ActingPersonRequired
    row = tenancy.locked(HandOver, hand_over_id, actor)
    if row.accepted_at is not None:
        raise WrongState(thing="hand-over", state="accepted", needed="one that is not")
    if row.given_by_id == actor.person_id:
        raise OwnHandOver
    row.accepted_by_id, row.accepted_at = actor.person_id, now
    put(row, fields=["accepted_by_id", "accepted_at"])
    current().evidence(
        "hand_over.accepted",
        location_id=row.location_id,
        subject_id=row.id,
        facts={
            "hand_over_id": row.id,
            "given_by": row.given_by_id,
            "given_at": row.given_at,
            "accepted_by": row.accepted_by_id,
        },
    )
    return row
