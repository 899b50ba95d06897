"""Reads of visits that recur."""

from datetime import datetime
from typing import Any
from uuid import UUID

from clients.holdings import plain
from services.models import Series, SeriesVisit, Visit, VisitState
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy


def locked_series(series_id: UUID, actor: Actor) -> Series:
    """The series, locked; raises `NotFound`."""
    return tenancy.locked(Series, series_id, actor)


def booked_from(series_id: UUID, since: datetime) -> list[UUID]:
    """The series' booked visits that start then or later, in the order in which they are locked."""
    links = SeriesVisit.objects.filter(series_id=series_id).values_list("visit_id", flat=True)
    rows = Visit.objects.filter(id__in=list(links), state=VisitState.BOOKED, starts_at__gte=since)
    return list(rows.order_by("id").values_list("id", flat=True))


def exported_series(client_id: UUID) -> list[dict[str, Any]]:
    """For the export: by which rules the client's visits recur; the visits are exported themselves."""
    rows = Series.objects.filter(client_id=client_id).order_by("created_at", "id")
    return plain(
        list(rows.values("id", "location_id", "rule", "starts_at", "zone", "created_at",
                         "created_by", "ended_from"))
    )  # fmt: skip
