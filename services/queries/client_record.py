"""What visits hold of a client, for the client; and which visits are not over. Reads only."""

from collections.abc import Collection
from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from django.db.models import Max

from clients.holdings import plain
from services.models import (
    Charge,
    Line,
    LineState,
    Payment,
    Rebooking,
    Visit,
    VisitChange,
    VisitState,
    WorkRecord,
)
from services.queries.sales import exported_sales
from spa_ops.tenancy.sealing import under_present_key, unseal_each

_OVER = (VisitState.LEFT, VisitState.CANCELLED, VisitState.NO_SHOW)


def visits_not_over(client_ids: Collection[UUID]) -> list[Visit]:
    """These clients' visits that are booked or going on, the next first."""
    rows = Visit.objects.filter(client_id__in=client_ids).exclude(state__in=_OVER)
    return list(rows.order_by("starts_at", "id"))


def visit_ends(visit_ids: Collection[UUID]) -> dict[UUID, datetime]:
    """When the client leaves by plan: the end of the last line that was not dropped, else the start."""
    lines = Line.objects.filter(visit_id__in=visit_ids).exclude(state=LineState.DROPPED)
    ends = dict(lines.values_list("visit_id").annotate(Max("ends_at")))
    starts = Visit.objects.filter(id__in=visit_ids).values_list("id", "starts_at")
    return {visit_id: ends.get(visit_id, start) for visit_id, start in starts}


def visits_with_words(client_id: UUID) -> list[Visit]:
    """A client's visits with a note, locked."""
    rows = Visit.objects.select_for_update(of=("self",), no_key=True).filter(client_id=client_id)
    return list(rows.exclude(note="").order_by("id"))


def waiting_dates(client_id: UUID) -> list[UUID]:
    """A client's rebooking dates that wait for their reminder."""
    rows = Rebooking.objects.filter(client_id=client_id, state="waiting").order_by("id")
    return list(rows.values_list("id", flat=True))


def exported_visits(client_id: UUID) -> list[dict[str, Any]]:
    """A client's visits with lines, changes, charges, sales and payments; six statements, however many."""
    visits = list(
        Visit.objects.filter(client_id=client_id).order_by("starts_at", "id").values(
            "id", "location_id", "state", "walk_in", "starts_at", "booked_at", "arrived_at",
            "seated_at", "left_at", "checked_out_at", "note", "policy_shown",
        )
    )  # fmt: skip
    parts: dict[str, tuple[Any, tuple[str, ...]]] = {
        "lines": (Line, ("id", "area", "method", "state", "practitioner_id", "room_id", "starts_at",
                         "ends_at", "price_minor", "currency", "verdict", "screened_on", "earliest_on",
                         "blood_seen_at")),
        "changes": (VisitChange, ("id", "kind", "at", "was_at", "is_at", "reason")),
        "charges": (Charge, ("id", "line_id", "price_minor", "discount_minor", "tax_minor", "tip_minor",
                             "currency", "recorded_at")),
        "payments": (Payment, ("id", "receipt_number", "kind", "means", "amount_minor", "currency",
                               "paid_by", "reason", "recorded_at")),
    }  # fmt: skip
    by_id: dict[UUID, dict[str, Any]] = {
        v["id"]: v | {name: [] for name in (*parts, "sales")} for v in visits
    }
    for name, (model, columns) in parts.items():
        rows = model.objects.filter(visit_id__in=list(by_id)).order_by("id")
        for row in rows.values("visit_id", *columns):
            by_id[row.pop("visit_id")][name].append(row)
    for row in exported_sales(list(by_id)):
        by_id[row.pop("visit_id")]["sales"].append(row)
    return plain(list(by_id.values()))


def exported_work(client_id: UUID) -> list[dict[str, Any]]:
    """What was recorded of the work on a client, unsealed. Raises `Erased`."""
    rows = list(
        under_present_key(WorkRecord.objects.filter(client_id=client_id)).order_by(
            "recorded_at", "id"
        )
    )
    if not rows:
        return []
    texts = unseal_each(rows[0].business_id, client_id, (row.sealed for row in rows))
    return plain(
        [
            {"id": row.id, "line_id": row.line_id, "recorded_at": row.recorded_at,
             "record": orjson.loads(text)}
            for row, text in zip(rows, texts, strict=True)
        ]
    )  # fmt: skip


def exported_dates(client_id: UUID) -> list[dict[str, Any]]:
    """The dates on which a client was to come back."""
    rows = Rebooking.objects.filter(client_id=client_id).order_by("rebook_on", "id")
    return plain(
        list(rows.values("id", "location_id", "service_id", "rebook_on", "state", "outcome"))
    )
