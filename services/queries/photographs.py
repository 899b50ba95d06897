"""Reads of photographs and what is sealed of them. Never writes."""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from clients.models import Client
from clients.queries import age_and_consents
from clients.queries_people import ids_of
from services.models import Incident, Line, Photograph, Visit, VisitState
from services.rules.incident_record import IncidentState
from services.rules.photographs import is_agreed
from services.rules.protected import years_old
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import Erased, under_present_key, unseal, unseal_for_each

#: The client is here, or has been: a picture may arrive late from a tablet that was offline.
_CAME = (VisitState.ARRIVED, VisitState.IN_ROOM, VisitState.LEFT)


def visit_and_area(visit_id: UUID, line_id: UUID | None, actor: Actor) -> tuple[Visit, str | None]:
    """The visit, at which the client has arrived, and the area of the line, if one is named.

    Raises `NotFound`, `WrongState`, `InvalidInput`.
    """
    visit = tenancy.loaded(Visit, visit_id, actor)
    if visit.state not in _CAME:
        raise WrongState(thing="visit", state=visit.state, needed="a client who has arrived")
    if line_id is None:
        return visit, None
    area = Line.objects.filter(id=line_id, visit_id=visit.id).values_list("area", flat=True)
    if not area:
        raise invalid("/line_id", "is not a line of this visit")
    return visit, area[0]


def incident_of_client(incident_id: UUID, actor: Actor) -> Incident:
    """An incident of a client that stands; raises `NotFound`, `WrongState`."""
    incident = tenancy.loaded(Incident, incident_id, actor)
    if incident.client_id is None:
        raise WrongState(thing="incident", state="a team member's", needed="one of a client")
    if incident.state == IncidentState.STRUCK:
        raise WrongState(thing="incident", state=incident.state, needed="one that stands")
    return incident


def lock_standing(client_id: UUID, actor: Actor) -> None:
    """Lock a client who is not erased, so that neither that nor a withdrawal comes between.

    Raises `NotFound`, `Erased`.
    """
    if tenancy.locked(Client, client_id, actor).erased_at is not None:
        raise Erased


def years_and_agreed(client_id: UUID, today: date) -> tuple[int | None, bool]:
    """The age in full years, if known, and whether photographs are agreed to, of the client that is left."""
    born, consents = age_and_consents(client_id)
    years = None if born is None else years_old(born, today)
    return years, is_agreed(consents, years)


def photograph_named(photograph_id: UUID, actor: Actor) -> Photograph:
    """One photograph of the business, wherever it was taken; raises `NotFound`.

    Who may see it goes by the client: ask `record_read`.
    """
    rows = Photograph.objects.select_related("location")
    row = rows.filter(id=photograph_id, business_id=actor.business_id).first()
    if row is None:
        raise NotFound
    return row


def picture(row: Photograph) -> bytes:
    """The JPEG; raises `WrongState` for a struck-out one, `Erased`."""
    if row.struck_at is not None:
        raise WrongState(thing="photograph", state="struck out", needed="one that stands")
    if row.sealed_picture is None:
        raise Erased
    return unseal(row.business_id, row.client_id, bytes(row.sealed_picture))


def photographs_of(
    client_id: UUID, *, before: tuple[datetime, UUID] | None, limit: int
) -> tuple[list[dict[str, Any]], tuple[datetime, UUID] | None]:
    """Up to `limit` of a person's photographs, newest first, struck-out ones marked, and the next place.

    Never the pictures. Three statements, however many.
    """
    rows = _kept(Photograph.objects.filter(client_id__in=ids_of(client_id)))
    if before is not None:
        at, last_id = before
        rows = rows.filter(Q(taken_at__lt=at) | Q(taken_at=at, id__lt=last_id))
    found = list(rows.order_by("-taken_at", "-id")[: limit + 1])
    more, found = len(found) > limit, found[:limit]
    following = (found[-1].taken_at, found[-1].id) if more else None
    return told(found), following


def of_lines(
    client_ids: Collection[UUID], line_ids: Collection[UUID]
) -> dict[UUID, list[dict[str, Any]]]:
    """The photographs that stand of each line, oldest first. Two statements, one where there are none."""
    rows = Photograph.objects.filter(client_id__in=client_ids, line_id__in=line_ids)
    found: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for one in _standing(rows):
        found[one["line_id"]].append(one)
    return found


def of_incident(incident_id: UUID) -> list[dict[str, Any]]:
    """The photographs that stand of an incident, oldest first. Two statements at most."""
    return _standing(Photograph.objects.filter(incident_id=incident_id))


def exported_photographs(client_id: UUID) -> list[dict[str, Any]]:
    """A client's photographs, for the client; each picture is at `picture_at`. Raises `Erased`."""
    rows = list(_kept(Photograph.objects.filter(client_id=client_id)).order_by("taken_at", "id"))
    shown = told(rows)
    if len(shown) != len(rows):
        raise Erased
    return [
        {name: value if value is None or isinstance(value, int) else str(value) for name, value in one.items()}
        | {"picture_at": None if one["struck_at"] else f"/api/v1/photographs/{one['id']}/copy"}
        for one in shown
    ]  # fmt: skip


def told(rows: Iterable[Photograph]) -> list[dict[str, Any]]:
    """What is told of each: never the picture. An erased client's are left out."""
    kept = list(rows)
    by_client: dict[UUID, list[bytes]] = defaultdict(list)
    for row in kept:
        by_client[row.client_id].append(bytes(row.sealed))
    opened = {who: iter(texts) for who, texts in unseal_for_each(by_client).items()} if kept else {}
    return [
        _told(row, json.loads(next(opened[row.client_id])))
        for row in kept
        if row.client_id in opened
    ]


def _told(row: Photograph, shows: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": row.id,
        "client_id": row.client_id,
        "location_id": row.location_id,
        "visit_id": row.visit_id,
        "line_id": row.line_id,
        "incident_id": row.incident_id,
        "moment": shows["moment"],
        "area": shows["area"],
        "size": row.size,
        "width": row.width,
        "height": row.height,
        "taken_at": rfc3339(row.taken_at),
        "recorded_at": rfc3339(row.recorded_at),
        "recorded_by": row.recorded_by,
        "struck_at": row.struck_at and rfc3339(row.struck_at),
    }


def _kept(rows: QuerySet[Photograph]) -> QuerySet[Photograph]:
    return under_present_key(rows).defer("sealed_picture")


def _standing(rows: QuerySet[Photograph]) -> list[dict[str, Any]]:
    return told(_kept(rows.filter(struck_at=None)).order_by("taken_at", "id"))
