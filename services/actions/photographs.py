"""Photographs: taken, shown, struck out. Consent is asked each time.

Locked in this order: the client, the photograph.
"""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read
from clients.queries_people import left_of
from clients.registry import Holding, register
from clients.rule_files import shipped_rule_set
from services.models import Photograph
from services.problems import PhotographConsentMissing, PhotographForbidden
from services.queries import photographs as queries
from services.rules import photographs as rules
from services.rules.photographs import Moment, Picture
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import AlreadyCorrected, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import seal_each
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action, current


@action
def photograph_visit(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    picture: Picture,
    moment: Moment,
    line_id: UUID | None = None,
    area: str | None = None,
    taken_at: datetime | None = None,
    id: UUID | None = None,
) -> Photograph:
    """Keep a photograph of the client of a visit, sealed; of a line, whose area it shows unless said.

    Also after the client has left, for what arrives late. Raises `NotFound`, `WrongState` before the
    client has arrived, `PhotographConsentMissing`, `PhotographForbidden`, `InvalidInput`, `Erased`.
    """
    visit, area_of_line = queries.visit_and_area(visit_id, line_id, actor)
    row = Photograph(
        location_id=visit.location_id,
        client_id=visit.client_id,
        visit_id=visit.id,
        line_id=line_id,
    )
    earliest = visit.arrived_at or visit.starts_at
    return _keep(
        actor, now, row, picture, moment, area or area_of_line, taken_at, earliest=earliest, id=id
    )


@action
def photograph_incident(
    *,
    actor: Actor,
    now: datetime,
    incident_id: UUID,
    picture: Picture,
    moment: Moment,
    area: str | None = None,
    taken_at: datetime | None = None,
    id: UUID | None = None,
) -> Photograph:
    """Keep a photograph of what a client's incident left, sealed; also of a closed incident.

    Raises what `photograph_visit` raises; `WrongState` for a team member's incident, whose consent
    nobody keeps, and for one that is struck out.
    """
    incident = queries.incident_of_client(incident_id, actor)
    row = Photograph(
        location_id=incident.location_id,
        client_id=incident.client_id,
        visit_id=incident.visit_id,
        line_id=incident.line_id,
        incident_id=incident.id,
    )
    return _keep(
        actor, now, row, picture, moment, area, taken_at, earliest=incident.occurred_at, id=id
    )


def _keep(
    actor: Actor,
    now: datetime,
    row: Photograph,
    picture: Picture,
    moment: Moment,
    area: str | None,
    taken_at: datetime | None,
    *,
    earliest: datetime,
    id: UUID | None,
) -> Photograph:
    tree = shipped_rule_set().tree
    if area is not None and area not in tree:
        raise invalid("/area", "is not an area", "unknown")
    at = taken_at or now
    if not earliest <= at <= now:
        raise invalid("/taken_at", "must be between the arrival, or the incident, and now")
    queries.lock_standing(row.client_id, actor)
    place = tenancy.location(row.location_id, actor)
    today = local_date(now, place.zone)
    years, is_agreed = queries.years_and_agreed(left_of(row.client_id), today)
    if not is_agreed:
        raise PhotographConsentMissing
    if area is None and rules.needs_area(years):
        raise invalid("/area", "is needed of whoever is not known to be an adult", "required")
    if not rules.may_show(area, years, tree.touching.get(area or "", ())):
        raise PhotographForbidden
    row.id, row.business_id = id or uuid7(), actor.business_id
    row.sealed, row.sealed_picture = seal_each(
        actor.business_id, row.client_id, [rules.about(moment, area), picture.jpeg]
    )
    row.size, row.width, row.height = len(picture.jpeg), picture.width, picture.height
    row.taken_at, row.recorded_at, row.recorded_by = at, now, actor.person_id
    insert([row])
    current().evidence(
        "photograph.taken",
        location_id=row.location_id,
        subject_id=row.id,
        facts={
            "photograph_id": row.id,
            "client_id": row.client_id,
            "visit_id": row.visit_id,
            "line_id": row.line_id,
            "incident_id": row.incident_id,
        },
        occurred_at=at,
    )
    return row


@action
def show_photograph(*, actor: Actor, now: datetime, photograph_id: UUID) -> bytes:
    """The JPEG of a photograph, for a person's eyes: recorded as a read of the client's health.

    Raises `NotFound` also where the client is not known to the actor's location;
    `PhotographConsentMissing` also once it was withdrawn; `WrongState` if it is struck out; `Erased`.
    """
    row = queries.photograph_named(photograph_id, actor)
    client_id = _record_read(actor, now, row)
    if not queries.years_and_agreed(client_id, local_date(now, row.location.zone))[1]:
        raise PhotographConsentMissing
    return queries.picture(row)


@action
def copy_photograph(*, actor: Actor, now: datetime, photograph_id: UUID) -> bytes:
    """The same to hand over to the client, who is entitled to it whatever they agree to now.

    Recorded as a read. Raises `NotFound`, `WrongState`, `Erased`.
    """
    row = queries.photograph_named(photograph_id, actor)
    _record_read(actor, now, row)
    return queries.picture(row)


def _record_read(actor: Actor, now: datetime, row: Photograph) -> UUID:
    # Where one record of the person is known, the other's photographs are shown.
    client_id = left_of(row.client_id)
    record_read(actor=actor, now=now, client_id=client_id, visit_id=row.visit_id)
    return client_id


@action
def read_photographs(
    *,
    actor: Actor,
    now: datetime,
    client_id: UUID,
    before: tuple[datetime, UUID] | None = None,
    limit: int,
) -> dict[str, Any]:
    """A page of what photographs there are of a client, never the pictures; recorded as a read.

    Raises `NotFound` also where the client is not known to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id)
    items, following = queries.photographs_of(client.id, before=before, limit=limit)
    return {"items": items, "following": following}


@action
def strike_photograph(
    *, actor: Actor, now: datetime, photograph_id: UUID, reason: str
) -> Photograph:
    """Say that a photograph is wrong. Its picture is destroyed; that there was one stays, with the reason.

    Mostly it shows somebody else, or was not agreed to: what nobody may see must not be kept.
    Raises `NotFound`, `AlreadyCorrected`, `InvalidInput` without a reason, `Erased`.
    """
    if not reason.strip():
        raise invalid("/reason", "say why it is wrong", "required")
    seen = tenancy.loaded(Photograph, photograph_id, actor)
    queries.lock_standing(seen.client_id, actor)
    row = tenancy.locked(Photograph, photograph_id, actor)
    if row.struck_at is not None:
        raise AlreadyCorrected
    row.sealed_picture, row.struck_at, row.struck_by = None, now, actor.person_id
    row.save(update_fields=["sealed_picture", "struck_at", "struck_by"])
    current().evidence(
        "photograph.struck",
        location_id=row.location_id,
        subject_id=row.id,
        facts={"photograph_id": row.id, "client_id": row.client_id},
        personal={"reason": reason},
        client_id=row.client_id,
    )
    return row


def _destroy_pictures(client_id: UUID, now: datetime) -> int:
    rows = Photograph.objects.filter(client_id=client_id).exclude(sealed_picture=None)
    return rows.update(sealed_picture=None)


def register_holdings() -> None:
    """What is sealed goes with the client's key, and the pictures' bytes with it."""
    register(
        Holding(
            table="services_photograph",
            export=queries.exported_photographs,
            erase=_destroy_pictures,
            is_kept_as_long=True,
        )
    )
