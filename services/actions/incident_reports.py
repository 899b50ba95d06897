"""Reporting an incident: kept with the steps it asks for, and told to screening where it is a reaction.

Locked in this order: the client's visits, the client, the incident.
"""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from clients import actions as clients
from clients import queries as client_queries
from clients.problems import HealthConsentMissing
from clients.queries_people import left_of
from clients.rule_files import shipped_rule_set
from services.actions.consultation import screen_after_a_fact
from services.actions.incident_evidence import canonical, incident_evidence
from services.incident_guide_files import shipped_guides
from services.models import ForesightDue, Incident, IncidentCallBack, Visit
from services.queries import incidents as queries
from services.queries import visits as visit_queries
from services.rules import incident_record as rules
from services.rules.incident_record import IncidentState
from services.rules.incidents import Hurt, IncidentKind, steps_for
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location, Person
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action

#: Longer ago is a slip of the finger (house policy).
LONGEST_AGO = timedelta(days=3653)


@action
def report_incident(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kind: IncidentKind,
    what_happened: str,
    occurred_at: datetime | None = None,
    client_id: UUID | None = None,
    person_id: UUID | None = None,
    visit_id: UUID | None = None,
    line_id: UUID | None = None,
    room_id: UUID | None = None,
    area: str | None = None,
    millimetres: int | None = None,
    allergic: bool | None = None,
    product: str = "",
    serious: Sequence[str] = (),
    id: UUID | None = None,
) -> Incident:
    """Somebody was hurt or reacted: kept, sealed, with the steps and call-backs that it asks for.

    A client's burn, lifted skin or reaction becomes a declaration as well, so that screening goes by
    it, where the client agrees to that being kept; the incident is kept in any case. A reaction
    counts as allergic unless `allergic` is false. Raises `NotFound`, `Erased`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    happened_at = occurred_at or now
    if not now - LONGEST_AGO <= happened_at <= now:
        raise invalid("/occurred_at", "must lie in the past, up to ten years ago")
    if area is not None and area not in shipped_rule_set().tree:
        raise invalid("/area", "must be an area that screening knows", "unknown")
    if allergic is not None and kind is not IncidentKind.REACTION:
        raise invalid("/allergic", "goes with a reaction")
    if (client_id is None) == (person_id is None):
        raise invalid("/client_id", "name the client or the team member who was hurt", "required")
    if person_id is not None:
        tenancy.loaded(Person, person_id, actor)
    visit_id = queries.visit_named(actor, place, visit_id, line_id, room_id, client_id)
    incident = Incident(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        client_id=client_id,
        person_id=person_id,
        visit_id=visit_id,
        line_id=line_id,
        room_id=room_id,
        state=IncidentState.OPEN,
        occurred_at=happened_at,
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    declared_id = None
    if client_id is not None:
        here = queries.visits_here(client_id, place.id)
        clients.link_client(actor=actor, now=now, client_id=client_id, location_id=place.id)
        detail = rules.reaction_detail(kind, allergic=allergic is not False)
        if detail is not None:
            declared_id = _declare(actor, now, incident, place, here, detail, area)
    told = {
        "kind": kind,
        "area": area,
        "millimetres": millimetres,
        "allergic": allergic,
        "what_happened": what_happened,
        "product": product,
        "serious": sorted(set(serious)),
    }
    guidance = _guidance(incident, kind, area, millimetres)
    content = told | guidance | {"declared_id": declared_id}
    incident.sealed = seal(actor.business_id, queries.subject_of(incident), canonical(content))
    put(incident, along=_call_backs(incident, place))
    facts = {
        "visit_id": visit_id,
        "line_id": line_id,
        "room_id": room_id,
        "hurt": Hurt.CLIENT if client_id else Hurt.TEAM_MEMBER,
        "guide_version": incident.guide_version,
        "guide_digest": incident.guide_digest,
    }
    incident_evidence("incident.reported", incident, facts, told, happened_at)
    return incident


def _declare(
    actor: Actor,
    now: datetime,
    incident: Incident,
    place: Location,
    here: Sequence[Visit],
    detail: str,
    area: str | None,
) -> UUID | None:
    """Let screening know, now and at coming visits; None where the client agreed to no such answers."""
    said = {
        "kind": "reaction",
        "areas": [area] if area else [],
        "details": [detail],
        "when": {"on": local_date(incident.occurred_at, place.zone).isoformat()},
    }
    items = client_queries.items_from(declarations=[said], today=local_date(now, place.zone))
    # An answer belongs to the occasion it was given on: without a visit, to the incident itself.
    occasion = incident.visit_id or (here[0].id if here else incident.id)
    assert incident.client_id is not None  # noqa: S101
    try:
        (item_id,) = clients.record_health(
            actor=actor,
            now=now,
            client_id=left_of(incident.client_id),
            visit_id=occasion,
            location_id=place.id,
            items=items,
        )
    except HealthConsentMissing:
        return None
    screen_anew(incident, place, here, now)
    return item_id


def screen_anew(incident: Incident, place: Location, here: Sequence[Visit], now: datetime) -> None:
    """What the client declared has changed: decide the lines of those who are `here`, look ahead for others."""
    insert(
        [ForesightDue(business_id=incident.business_id, client_id=incident.client_id, since=now)]
    )
    for visit in here:
        screen_after_a_fact(visit, place, visit_queries.lines_of(visit.id), now)
        put(visit, fields=[])


def _guidance(
    incident: Incident, kind: IncidentKind, area: str | None, millimetres: int | None
) -> dict[str, Any]:
    """The first aid as it is asked today: a later text changes nothing about what was asked."""
    book = shipped_guides()
    incident.guide_version, incident.guide_digest = book.version, book.digest
    guide = next(g for g in book.guides if g.kind is kind)
    asked = steps_for(
        guide,
        tree=shipped_rule_set().tree,
        hurt=Hurt.CLIENT if incident.client_id else Hurt.TEAM_MEMBER,
        area=area,
        millimetres=millimetres,
    )
    return {
        "emergency": book.emergency,
        "notice": book.notice,
        "never": guide.never,
        "steps": [
            {
                "code": one.step.code,
                "text": one.step.text,
                "required": one.required,
                "minutes": one.step.minutes,
                "sources": [asdict(source) for source in one.step.sources],
            }
            for one in asked
        ],
    }


def _call_backs(incident: Incident, place: Location) -> list[IncidentCallBack]:
    hours = shipped_guides().call_back_hours
    return [
        IncidentCallBack(
            business_id=incident.business_id, incident=incident, location=place, **asdict(owed)
        )
        for owed in rules.owed_call_backs(incident.occurred_at, hours, place.zone)
    ]
