"""Aftercare given for a line, what a client wishes, and the history of what was done on them."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.registry import Holding, register
from clients.rule_files import shipped_rule_set
from services.actions.booking import visit_evidence
from services.aftercare_files import shipped_aftercare
from services.models import AftercareGiven, LineState, Visit, Wish
from services.queries import treatments as queries
from services.queries import visits
from services.rules.aftercare import Handing, Sheet, sheet_for
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy.sealing import Erased, seal
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

_BEGUN = (LineState.STARTED, LineState.PAUSED, LineState.STOPPED, LineState.FINISHED)


def aftercare_for(method: str, area: str) -> Sheet | None:
    """The aftercare text in force for a method on an area of the screening rules."""
    return sheet_for(shipped_aftercare(), shipped_rule_set().tree, method=method, area=area)


@action
def give_aftercare(
    *, actor: Actor, now: datetime, line_id: UUID, how: Handing, digest: str, language: str
) -> Visit:
    """Keep that the client was given the line's aftercare text, known by the digest of its words.

    Again as often as it is given. Raises `NotFound`; `WrongState` before the line began;
    `InvalidInput` for words or a language that are not the text in force for this line.
    """
    line, visit = visits.line_and_visit(line_id, actor)
    if line.state not in _BEGUN:
        raise WrongState(thing="line", state=line.state, needed="work that began")
    sheet = aftercare_for(line.method, line.area)
    if sheet is None or digest != sheet.digest:
        raise invalid("/digest", "is not of the aftercare text in force for this line", "unknown")
    if language != sheet.language:
        raise invalid("/language", f"the text is in {sheet.language}", "unknown")
    row = AftercareGiven(
        business_id=visit.business_id,
        line=line,
        client_id=visit.client_id,
        text_id=sheet.text_id,
        version=sheet.version,
        digest=sheet.digest,
        language=sheet.language,
        how=how.value,
        given_at=now,
        given_by=actor.person_id,
    )
    row.save(force_insert=True)
    visit_evidence(
        "line.aftercare_given",
        visit,
        {
            "line_id": line.id,
            "aftercare_id": row.id,
            "sheet": row.text_id,
            "version": row.version,
            "digest": row.digest,
            "language": row.language,
            "how": row.how,
        },
    )
    put(visit, fields=[])
    return visit


@action
def record_wish(*, actor: Actor, now: datetime, client_id: UUID, area: str, text: str) -> Wish:
    """Keep how the client wants an area, sealed; the newest of an area holds, the former stay.

    Locks the client. Raises `NotFound`, `Erased`, `InvalidInput`.
    """
    if area not in shipped_rule_set().tree:
        raise invalid("/area", "is not an area", "unknown")
    client = queries.locked_client(client_id, actor)
    if client.erased_at is not None:
        raise Erased
    row = Wish(
        business_id=client.business_id,
        client_id=client.id,
        area=area,
        sealed=seal(client.business_id, client.id, text.encode()),
        recorded_at=queries.next_wish_at(client.id, now),
        recorded_by=actor.person_id,
    )
    row.save(force_insert=True)
    current().evidence(
        "client.wish_recorded",
        location_id=actor.location_id,
        subject_id=client.id,
        facts={"client_id": client.id, "wish_id": row.id, "area": area},
        personal={"text": text},
        client_id=client.id,
    )
    return row


@action
def read_treatments(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    before: tuple[datetime, UUID] | None = None,
    limit: int,
) -> dict[str, Any]:
    """A page of what was done on a client, and their wishes, for a person's eyes: recorded as a read.

    Raises `NotFound` also where the client is not known to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id)
    items, following = queries.treatments_of(client, before=before, limit=limit)
    return {
        "wishes": queries.wishes_of(client.id, client.business_id),
        "items": items,
        "following": following,
    }


def register_holdings() -> None:
    """Wishes go with the client's key; that an aftercare text was given says nothing of health."""
    register(Holding(table="services_wish", export=queries.exported_wishes))
    register(Holding(table="services_aftercare_given", export=queries.exported_aftercare))
