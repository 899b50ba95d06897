"""Reads of visits, their lines and changes."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients.queries_people import ids_of
from services.models import Line, LineState, Service, Visit, VisitChange
from spa_ops.claims.queries import claims_of, free_after
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy

#: What a line goes through before it is over.
OPEN = (LineState.PLANNED, LineState.STARTED, LineState.PAUSED)


def locked_visit(visit_id: UUID, actor: Actor, *, match: int | None = None) -> Visit:
    """The visit, locked with all that belongs to it; raises `NotFound`, `StaleVersion`."""
    return tenancy.locked(Visit, visit_id, actor, match=match)


def place_and_client_of(visit_id: UUID) -> tuple[UUID, UUID]:
    """The location and the client of a visit, which never change; raises `NotFound`."""
    found = Visit.objects.filter(id=visit_id).values_list("location_id", "client_id").first()
    if found is None:
        raise NotFound
    return found[0], found[1]


def linked_with(visit_id: UUID, actor: Actor) -> list[Visit]:
    """A visit and those that were booked together with it, in order of time; raises `NotFound`."""
    visit = tenancy.loaded(Visit, visit_id, actor)
    if visit.link_id is None:
        return [visit]
    return list(Visit.objects.filter(link_id=visit.link_id).order_by("starts_at", "id"))


def lines_of(visit_id: UUID) -> list[Line]:
    """A visit's lines in their order, with their services."""
    return list(
        Line.objects.filter(visit_id=visit_id).select_related("service").order_by("position")
    )


def line_of(line_id: UUID) -> Line:
    """A line, unlocked; raises `NotFound`. Its visit must still be within the caller's reach."""
    line = Line.objects.select_related("service").filter(id=line_id).first()
    if line is None:
        raise NotFound
    return line


def free_minutes_after(line_id: UUID, now: datetime) -> int | None:
    """For how many minutes more nobody else has what the visit has from this line on; None: no end is known."""
    line = line_of(line_id)
    free = free_after(line.visit_id, line.aftercare_at, now)
    return None if free is None else max(0, int(free.total_seconds()) // 60)


def line_and_visit(line_id: UUID, actor: Actor) -> tuple[Line, Visit]:
    """A line and its locked visit; raises `NotFound`."""
    line = Line.objects.filter(id=line_id).values_list("visit_id", flat=True).first()
    if line is None:
        raise NotFound
    visit = locked_visit(line, actor)
    return Line.objects.select_related("service").get(id=line_id), visit


def line_and_visit_unlocked(line_id: UUID, actor: Actor) -> tuple[Line, Visit]:
    """A line and its visit, for a read; raises `NotFound`."""
    line = Line.objects.select_related("service").filter(id=line_id).first()
    if line is None:
        raise NotFound
    return line, tenancy.loaded(Visit, line.visit_id, actor)


def bookables_held(visit_id: UUID) -> set[UUID]:
    """Whose time a visit's claims take now: what is locked before the visit itself."""
    return {claim.bookable_id for claim in claims_of(visit_id)}


def services_named(ids: set[UUID]) -> dict[UUID, Service]:
    """Active services by id; raises `NotFound` when one is not there."""
    found = {s.id: s for s in Service.objects.filter(id__in=ids, active=True)}
    if found.keys() != ids:
        raise NotFound
    return found


def changes_of(visit_id: UUID) -> list[VisitChange]:
    """What happened to the plan of a visit, oldest first."""
    return list(VisitChange.objects.filter(visit_id=visit_id).order_by("at", "id"))


def booked_ahead(client_id: UUID, after: datetime) -> list[dict[str, Any]]:
    """A client's coming visits: id, start and location."""
    rows = Visit.objects.filter(
        client_id__in=ids_of(client_id), starts_at__gte=after, state="booked"
    )
    return list(rows.order_by("starts_at").values("id", "starts_at", "location_id"))
