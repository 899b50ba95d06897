"""Reads that trace stock: which lots and open containers touched whom. Never writes.

A line is taken to have used what stood open in its room at the time, unless its record names
something else; what the record takes back does not count. Amounts of 0 are kept: it may have
touched the client.
"""

from collections.abc import Collection
from typing import Any
from uuid import UUID

from django.db import connection

from clients.queries_people import ids_of
from rooms.models import OpenContainer, StockLot
from rooms.rules.stock import plain
from services.queries.tracing import SOLD, Window
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy

_NAMES = (
    "visit_id", "line_id", "item_id", "item", "unit", "lot_id", "lot_number", "expires_on",
    "container_id", "opened_at", "discard_by", "quantity", "stated",
)  # fmt: skip
_USES = """
SELECT x.visit_id, x.id, i.id, i.name, i.unit, l.id, l.number, l.expires_on, c.id, c.opened_at,
       c.discard_by, u.quantity, u.stated
FROM services_line_use u
JOIN services_line x ON x.id = u.line_id
JOIN services_visit v ON v.id = x.visit_id
JOIN rooms_stock_item i ON i.id = u.item_id
LEFT JOIN rooms_stock_lot l ON l.id = u.lot_id
LEFT JOIN rooms_open_container c ON c.id = u.container_id
WHERE u.stands AND {where} ORDER BY v.starts_at, x.position, i.name, u.id
"""


def _uses(where: str, values: dict[str, Any]) -> list[dict[str, Any]]:
    with connection.cursor() as cursor:
        cursor.execute(_USES.format(where=where), values)
        rows = [dict(zip(_NAMES, row, strict=True)) for row in cursor.fetchall()]
    return [row | {"quantity": plain(row["quantity"])} for row in rows]


def lots_of_visit(visit_id: UUID) -> list[dict[str, Any]]:
    """What of the stock touched a visit's client, line by line. One statement."""
    return _uses("x.visit_id = %(visit)s", {"visit": visit_id})


def lots_of_client(client_id: UUID, window: Window, actor: Actor) -> list[dict[str, Any]]:
    """What of the stock touched a person at visits due in a window, within the actor's reach.

    Also at visits of records that were merged into the client. Two statements.
    """
    return _uses(_OF_CLIENT, _of_client(client_id, window, actor))


_OF_CLIENT = (
    "v.client_id = ANY(%(clients)s) AND v.starts_at >= %(start)s AND v.starts_at < %(end)s "
    "AND (%(place)s::uuid IS NULL OR v.location_id = %(place)s)"
)


def _of_client(client_id: UUID, window: Window, actor: Actor) -> dict[str, Any]:
    return {
        "clients": list(ids_of(client_id)),
        "start": window.start,
        "end": window.end,
        "place": actor.location_id,
    }


_SOLD_NAMES = (
    "visit_id", "sale_id", "item_id", "item", "unit", "lot_id", "lot_number", "expires_on", "quantity",
    "sold_at", "undone",
)  # fmt: skip
_SALES = f"""
SELECT s.visit_id, s.id, i.id, i.name, i.unit, l.id, l.number, l.expires_on, o.quantity, s.recorded_at, r.kind
FROM services_sale s
JOIN services_visit v ON v.id = s.visit_id
JOIN services_sale_lot o ON o.sale_id = s.id
JOIN rooms_stock_item i ON i.id = s.item_id
LEFT JOIN rooms_stock_lot l ON l.id = o.lot_id
LEFT JOIN services_sale_undone r ON r.sale_id = s.id
WHERE {SOLD.format("s")} AND {{where}} ORDER BY s.recorded_at, i.name, o.id
"""


def _sold(where: str, values: dict[str, Any]) -> list[dict[str, Any]]:
    with connection.cursor() as cursor:
        cursor.execute(_SALES.format(where=where), values)
        rows = [dict(zip(_SOLD_NAMES, row, strict=True)) for row in cursor.fetchall()]
    return [row | {"quantity": plain(row["quantity"])} for row in rows]


def sold_at_visit(visit_id: UUID) -> list[dict[str, Any]]:
    """What a visit's client bought, by lot, also what was brought back. One statement."""
    return _sold("s.visit_id = %(visit)s", {"visit": visit_id})


def sold_to_client(client_id: UUID, window: Window, actor: Actor) -> list[dict[str, Any]]:
    """What a person bought at visits due in a window, as `lots_of_client`. Two statements."""
    return _sold(_OF_CLIENT, _of_client(client_id, window, actor))


def lots_like(lot_id: UUID, actor: Actor) -> list[StockLot]:
    """The lot, and those with its item and number at the actor's other locations; raises `NotFound`.

    A lot without a number is known by nothing, so it stands alone.
    """
    lot = tenancy.loaded(StockLot, lot_id, actor)
    if not lot.number:
        return [lot]
    rows = StockLot.objects.filter(item_id=lot.item_id, number=lot.number).order_by("id")
    if actor.location_id is not None:
        rows = rows.filter(location_id=actor.location_id)
    return [lot, *(other for other in rows if other.id != lot.id)]


def container_to_trace(container_id: UUID, actor: Actor) -> OpenContainer:
    """The opened container; raises `NotFound` out of reach."""
    return tenancy.loaded(OpenContainer, container_id, actor)


def containers_from(container_id: UUID) -> list[UUID]:
    """A container, and all that was decanted from it, however often. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            "WITH RECURSIVE filled AS (SELECT id FROM rooms_open_container WHERE id = %s "
            "UNION SELECT c.id FROM rooms_open_container c JOIN filled f ON c.decanted_from_id = f.id) "
            "SELECT id FROM filled ORDER BY id",
            [container_id],
        )
        return [row[0] for row in cursor.fetchall()]


def containers_of(lot_ids: Collection[UUID]) -> list[dict[str, Any]]:
    """What was opened of lots, oldest first. One statement."""
    return _shown(OpenContainer.objects.filter(lot_id__in=lot_ids))


def containers_shown(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Containers as traces show them, oldest first. One statement."""
    return _shown(OpenContainer.objects.filter(id__in=ids))


def _shown(rows: Any) -> list[dict[str, Any]]:
    return [
        {
            "container_id": c.id,
            "location_id": c.location_id,
            "lot_id": c.lot_id,
            "room_id": c.room_id,
            "opened_at": c.opened_at,
            "discard_by": c.discard_by,
            "decanted_from_id": c.decanted_from_id,
            "closed_at": c.closed_at,
            "closed_reason": c.closed_reason,
        }
        for c in rows.order_by("opened_at", "id")
    ]


def lots_shown(lots: Collection[StockLot]) -> list[dict[str, Any]]:
    """Lots as traces show them."""
    return [
        {
            "lot_id": lot.id,
            "location_id": lot.location_id,
            "item_id": lot.item_id,
            "number": lot.number,
            "expires_on": lot.expires_on,
            "received_at": lot.received_at,
            "withdrawn_at": lot.withdrawn_at,
        }
        for lot in lots
    ]
