"""Incidents: written on, closed, struck out. Nothing is changed; what follows is derived anew.

Locked in this order: the client's visits, the client, the incident.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from clients import actions as clients
from clients import queries as client_queries
from clients.queries_people import left_of
from clients.registry import Holding, register
from services.actions.incident_evidence import canonical, incident_evidence
from services.actions.incident_reports import screen_anew
from services.models import Incident, IncidentCallBack, IncidentEntry, IncidentRead, Visit
from services.problems import IncidentNotDone
from services.queries import incidents as queries
from services.rules import incident_record as rules
from services.rules.incident_record import EntryKind, IncidentState
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import AlreadyCorrected, NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action


@action
def add_entry(
    *,
    actor: Actor,
    now: datetime,
    incident_id: UUID,
    kind: EntryKind,
    occurred_at: datetime | None = None,
    id: UUID | None = None,
    **said: Any,
) -> Incident:
    """Add what was said or done, sealed; also to a closed incident, whose call-backs may be to come.

    `said` has the fields of `rules.FIELDS`. Raises `NotFound` also for the front desk where somebody
    else reported it, `Erased`, `InvalidInput`, `WrongState` for an incident that is struck out.
    """
    incident = tenancy.locked(Incident, incident_id, actor)
    _check_own(incident, actor)
    kept = _standing(incident)
    at = occurred_at or now
    if not incident.occurred_at <= at <= now:
        raise invalid("/occurred_at", "must be between the incident and now")
    rules.check_entry(kind, said, kept.record, kept.hurt)
    entry = _enter(actor, now, incident, kind, said, at=at, id=id)
    _derive(incident, now)
    incident_evidence(
        "incident.entry_added", incident, {"entry_id": entry.id}, _said(kind, said), at
    )
    return incident


@action
def close_incident(*, actor: Actor, now: datetime, incident_id: UUID, text: str = "") -> Incident:
    """Nothing is left to do; call-backs that are still to come stay owed.

    Raises `IncidentNotDone` naming the required steps and the due call-backs that are open,
    `WrongState` unless it is open, `NotFound`, `Erased`.
    """
    incident = tenancy.locked(Incident, incident_id, actor)
    if incident.state != IncidentState.OPEN:
        raise WrongState(thing="incident", state=incident.state, needed="an open one")
    record = queries.kept(incident).record
    steps, calls = rules.open_steps(record), rules.due_call_backs(record, now)
    if steps or calls:
        raise IncidentNotDone(steps=steps, call_backs=[call.hours for call in calls])
    said = {"text": text}
    entry = _enter(actor, now, incident, EntryKind.CLOSED, said, at=now)
    _derive(incident, now)
    incident_evidence(
        "incident.closed", incident, {"entry_id": entry.id}, _said(EntryKind.CLOSED, said), now
    )
    return incident


@action
def strike_incident(
    *,
    actor: Actor,
    now: datetime,
    incident_id: UUID,
    reason: str,
    entry_id: UUID | None = None,
) -> Incident:
    """Say that an entry (`entry_id`), or the incident itself, was recorded wrongly; both stay visible.

    Where it stands is derived anew: a closed incident whose step falls away is open again. With the
    incident goes the declaration it made. Raises `NotFound`, `AlreadyCorrected`, `WrongState`,
    `InvalidInput` without a reason, `Erased`.
    """
    if not reason.strip():
        raise invalid("/reason", "say why it is wrong", "required")
    seen = tenancy.loaded(Incident, incident_id, actor)
    here: list[Visit] = []
    if entry_id is None and seen.client_id is not None:
        here = queries.visits_here(seen.client_id, seen.location_id)
        queries.lock_client(seen.client_id, actor)
    incident = tenancy.locked(Incident, incident_id, actor)
    if entry_id is None and incident.state == IncidentState.STRUCK:
        raise AlreadyCorrected
    kept = _standing(incident)
    if entry_id is not None:
        wrong = next((e for e in kept.entries if e.id == entry_id), None)
        if wrong is None or wrong.kind is EntryKind.STRUCK:
            raise NotFound
        if wrong.struck is not None:
            raise AlreadyCorrected
    said, struck_id = {"reason": reason}, entry_id or incident.id
    entry = _enter(actor, now, incident, EntryKind.STRUCK, said, at=now, strikes_id=struck_id)
    if entry_id is None:
        _take_back(actor, now, kept, here, reason)
    _derive(incident, now)
    facts = {"struck_id": struck_id, "entry_id": entry.id}
    incident_evidence("incident.struck", incident, facts, _said(EntryKind.STRUCK, said), now)
    return incident


def _take_back(
    actor: Actor, now: datetime, kept: queries.Kept, here: Sequence[Visit], reason: str
) -> None:
    incident, declared_id = kept.incident, kept.content["declared_id"]
    if declared_id is None or incident.client_id is None:
        return
    place = tenancy.location(incident.location_id, actor)
    try:
        clients.strike_out(
            actor=actor,
            now=now,
            client_id=left_of(incident.client_id),
            item_id=UUID(declared_id),
            location_id=place.id,
            reason=reason,
        )
    except WrongState:
        return  # struck out in a consultation before
    screen_anew(incident, place, here, now)


def _check_own(incident: Incident, actor: Actor) -> None:
    """The desk may know what it said itself and no more; raises `NotFound`."""
    if actor.role is Role.FRONT_DESK and incident.recorded_by != actor.person_id:
        raise NotFound


def _standing(incident: Incident) -> queries.Kept:
    """All that is kept of an incident; raises `WrongState` if it is struck out."""
    if incident.state == IncidentState.STRUCK:
        raise WrongState(thing="incident", state=incident.state, needed="one that stands")
    return queries.kept(incident)


def _enter(
    actor: Actor,
    now: datetime,
    incident: Incident,
    kind: EntryKind,
    said: Mapping[str, Any],
    *,
    at: datetime,
    strikes_id: UUID | None = None,
    id: UUID | None = None,
) -> IncidentEntry:
    before = IncidentEntry.objects.filter(incident_id=incident.id)
    entry = IncidentEntry(
        id=id or uuid7(),
        business_id=incident.business_id,
        incident=incident,
        client_id=incident.client_id,
        kind=kind,
        sealed=seal(incident.business_id, queries.subject_of(incident), canonical(said)),
        strikes_id=strikes_id,
        occurred_at=at,
        recorded_at=client_queries.after_the_last(before, now),
        recorded_by=actor.person_id,
    )
    insert([entry])
    return entry


def _derive(incident: Incident, now: datetime) -> None:
    """Make state and call-backs what the entries that stand say."""
    kept = queries.kept(incident)
    record, struck = kept.record, kept.struck is not None
    for row, owed in zip(kept.call_backs, record.call_backs, strict=True):
        settled_at = now if struck else rules.done_at(owed, record.entries)
        if row.settled_at != settled_at:
            IncidentCallBack.objects.filter(id=row.id).update(settled_at=settled_at)
    incident.closed_at = rules.closed_at(record)
    incident.state = IncidentState.CLOSED if incident.closed_at else IncidentState.OPEN
    if struck:
        incident.state = IncidentState.STRUCK
    put(incident, fields=["state", "closed_at"])


@action
def read_incident(*, actor: Actor, now: datetime, incident_id: UUID) -> queries.Kept:
    """An incident for a person's eyes: the reading itself is recorded, who and when.

    Raises `NotFound` also for the front desk where somebody else reported it, `Erased`.
    """
    incident = tenancy.loaded(Incident, incident_id, actor)
    _check_own(incident, actor)
    if incident.client_id is not None:
        clients.read_health(
            actor=actor,
            now=now,
            client_id=incident.client_id,
            visit_id=incident.visit_id or incident.id,
        )
    else:
        read = IncidentRead(
            business_id=incident.business_id,
            incident=incident,
            person_id=actor.person_id,
            device_id=actor.device_id,
            read_at=now,
        )
        insert([read])
    return queries.kept(incident)


def _end_for_erased(client_id: UUID, now: datetime) -> int:
    """Nobody calls back a client who was erased; gives how many incidents that ended."""
    rows = queries.open_of_client(client_id)
    for incident in rows:
        waiting = IncidentCallBack.objects.filter(incident_id=incident.id, settled_at=None)
        waiting.update(settled_at=now)
        if incident.state == IncidentState.OPEN:
            incident.state, incident.closed_at = IncidentState.CLOSED, now
            incident_evidence("incident.closed", incident, {"entry_id": None})
        put(incident, fields=["state", "closed_at"])
    return len(rows)


def register_holdings() -> None:
    """Incidents and their entries: sealed words go with the client's key, ids and times stay."""
    register(
        Holding(
            table="services_incident",
            export=queries.exported_incidents,
            erase=_end_for_erased,
            is_kept_as_long=True,
        )
    )
    register(
        Holding(
            table="services_incident_entry",
            export=queries.exported_entries,
            is_kept_as_long=True,
        )
    )


def _said(kind: EntryKind, said: Mapping[str, Any]) -> dict[str, Any]:
    return {"kind": kind, **said}
