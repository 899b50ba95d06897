"""Reads of incidents and what is sealed of them. Never writes."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Q

from clients.holdings import plain
from clients.models import Client
from clients.queries_people import ids_of, ids_of_persons, left_of
from rooms.models import Room
from services.models import Incident, IncidentCallBack, IncidentEntry, Line, Visit, VisitState
from services.rules.incident_record import (
    Entry,
    EntryKind,
    IncidentState,
    OwedCallBack,
    OwedStep,
    Record,
)
from services.rules.incidents import Hurt
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import under_present_key, unseal_each

_HERE = (VisitState.ARRIVED, VisitState.IN_ROOM)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptEntry:
    """One entry, unsealed; `struck` is the reason why it is wrong, if it is."""

    id: UUID
    kind: EntryKind
    content: dict[str, Any]
    occurred_at: datetime
    recorded_at: datetime
    recorded_by: UUID | None
    struck: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An incident with everything kept of it, unsealed; `struck` as there."""

    incident: Incident
    content: dict[str, Any]
    entries: tuple[KeptEntry, ...]
    call_backs: tuple[IncidentCallBack, ...]
    struck: str | None

    @property
    def hurt(self) -> Hurt:
        """Who was hurt."""
        return Hurt.CLIENT if self.incident.client_id else Hurt.TEAM_MEMBER

    @property
    def record(self) -> Record:
        """As the rules take it: the entries that stand."""
        return Record(
            steps=tuple(
                OwedStep(**{name: step[name] for name in ("code", "text", "required", "minutes")})
                for step in self.content["steps"]
            ),
            call_backs=tuple(_owed(row) for row in self.call_backs),
            entries=tuple(
                Entry(
                    kind=e.kind,
                    content=e.content,
                    occurred_at=e.occurred_at,
                    recorded_at=e.recorded_at,
                )
                for e in self.entries
                if e.struck is None and e.kind is not EntryKind.STRUCK
            ),
            serious=tuple(self.content["serious"]),
        )


def _owed(row: IncidentCallBack) -> OwedCallBack:
    return OwedCallBack(
        hours=row.hours,
        due_at=row.due_at,
        counts_from=row.counts_from,
        overdue_at=row.overdue_at,
    )


def clients_hurt() -> frozenset[UUID]:
    """Every record of each person who has an open incident: nothing is offered to them meanwhile."""
    hurt = Incident.objects.filter(state=IncidentState.OPEN, client_id__isnull=False)
    return frozenset(ids_of_persons(hurt.values_list("client_id", flat=True)))


def subject_of(incident: Incident) -> UUID:
    """Whose key seals it: the client's or the team member's who was hurt."""
    found = incident.client_id or incident.person_id
    assert found is not None  # noqa: S101 - a constraint of the table
    return found


def kept(incident: Incident) -> Kept:
    """Everything of one incident, unsealed; three statements. Not itself a recorded read.

    Raises `Erased`.
    """
    rows = list(IncidentEntry.objects.filter(incident_id=incident.id).order_by("recorded_at", "id"))
    texts = unseal_each(
        incident.business_id, subject_of(incident), [incident.sealed, *(r.sealed for r in rows)]
    )
    content, *said = (json.loads(text) for text in texts)
    struck = {
        row.strikes_id: one["reason"] for row, one in zip(rows, said, strict=True) if row.strikes_id
    }
    return Kept(
        incident=incident,
        content=content,
        entries=tuple(
            KeptEntry(
                id=row.id,
                kind=EntryKind(row.kind),
                content=one,
                occurred_at=row.occurred_at,
                recorded_at=row.recorded_at,
                recorded_by=row.recorded_by,
                struck=struck.get(row.id),
            )
            for row, one in zip(rows, said, strict=True)
        ),
        call_backs=tuple(
            IncidentCallBack.objects.filter(incident_id=incident.id).order_by("due_at")
        ),
        struck=struck.get(incident.id),
    )


def visit_named(
    actor: Actor,
    place: Location,
    visit_id: UUID | None,
    line_id: UUID | None,
    room_id: UUID | None,
    client_id: UUID | None,
) -> UUID | None:
    """The visit something happened in, if any; all that is named must be of this place and fit together.

    Raises `NotFound`, `InvalidInput`.
    """
    if room_id is not None and tenancy.loaded(Room, room_id, actor).location_id != place.id:
        raise invalid("/room_id", "is not a room of this location")
    if line_id is not None:
        of_line = Line.objects.filter(id=line_id).values_list("visit_id", flat=True).first()
        if of_line is None:
            raise NotFound
        if visit_id not in {None, of_line}:
            raise invalid("/line_id", "is not a line of this visit")
        visit_id = of_line
    if visit_id is None:
        return None
    visit = tenancy.loaded(Visit, visit_id, actor)
    if visit.location_id != place.id:
        raise invalid("/visit_id", "is not a visit at this location")
    if client_id not in {None, visit.client_id}:
        raise invalid("/client_id", "is not the client of this visit")
    return visit_id


def lock_client(client_id: UUID, actor: Actor) -> None:
    """Lock a client before what is theirs; raises `NotFound`."""
    tenancy.locked(Client, client_id, actor)


def visits_here(client_id: UUID, location_id: UUID) -> list[Visit]:
    """The visits for which a client is at a location now, locked."""
    rows = Visit.objects.select_for_update(of=("self",), no_key=True)
    return list(
        rows.filter(
            client_id__in=ids_of(left_of(client_id)), location_id=location_id, state__in=_HERE
        ).order_by("id")
    )


def open_of_client(client_id: UUID) -> list[Incident]:
    """A client's incidents that are open or still have a call-back to come, locked."""
    waiting = IncidentCallBack.objects.filter(settled_at=None).values("incident_id")
    rows = Incident.objects.select_for_update(of=("self",), no_key=True)
    owed = Q(state=IncidentState.OPEN) | Q(id__in=waiting)
    return list(rows.filter(owed, client_id=client_id).order_by("id"))


def exported_incidents(client_id: UUID) -> list[dict[str, Any]]:
    """A client's incidents, for the client. Raises `Erased`."""
    rows = list(
        under_present_key(Incident.objects.filter(client_id=client_id)).order_by("occurred_at")
    )
    columns = ("id", "location_id", "visit_id", "line_id", "room_id", "state", "occurred_at",
               "recorded_at", "closed_at", "guide_version")  # fmt: skip
    return _exported(client_id, rows, columns)


def exported_entries(client_id: UUID) -> list[dict[str, Any]]:
    """What was said and done about a client's incidents, for the client. Raises `Erased`."""
    rows = list(
        under_present_key(IncidentEntry.objects.filter(client_id=client_id)).order_by(
            "recorded_at", "id"
        )
    )
    columns = ("id", "incident_id", "kind", "strikes_id", "occurred_at", "recorded_at")
    return _exported(client_id, rows, columns)


def _exported(client_id: UUID, rows: list[Any], columns: Iterable[str]) -> list[dict[str, Any]]:
    if not rows:
        return []
    texts = unseal_each(rows[0].business_id, client_id, (row.sealed for row in rows))
    return plain(
        [
            {name: getattr(row, name) for name in columns} | {"record": json.loads(text)}
            for row, text in zip(rows, texts, strict=True)
        ]
    )
