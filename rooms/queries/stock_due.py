"""What is due about stock: dates, shortages, counts. Never writes."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection

from rooms.models import OpenContainer
from rooms.queries.stock import held_at
from rooms.rules import stock as rules
from rooms.rules.stock import Held
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location

_LAST_COUNTS = """
SELECT i.id, i.name, (
    SELECT max(n.counted_at) FROM rooms_stock_count n WHERE n.location_id = %(place)s AND n.item_id = i.id
), (
    SELECT min(m.happened_at) FROM rooms_stock_movement m WHERE m.location_id = %(place)s AND m.item_id = i.id
)
FROM rooms_stock_item i WHERE i.active ORDER BY i.name, i.id
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class StockDue:
    """Something about stock that asks to be looked at: what, of which item, since or until when.

    `kind`: `negative`, `past_date` (open and not to be used), `withdrawn` (open, of a lot that was
    called back), `expired`, `expiring` (lots), `discard_soon` (open), `no_lot` (open, of which lot
    nobody knows), `uncounted`; `runs_out`, `order` where visits are known.
    """

    kind: str
    item_id: UUID
    due_on: date
    lot_id: UUID | None = None
    container_id: UUID | None = None
    room_id: UUID | None = None
    quantity: Decimal | None = None


def due_stock(location_id: UUID, on: date) -> list[StockDue]:
    """What is due about the stock of a location on a local day, the most pressing first. Five statements.

    Without run-outs, which need visits: `services.queries.stock_forecast` has them too.
    """
    zone = Location.objects.values_list("zone", flat=True).get(id=location_id)
    held = held_at(location_id)
    found = [
        StockDue(kind="negative", item_id=item_id, due_on=on, quantity=total)
        for item_id, parts in held.items()
        if (total := sum((x.quantity for x in parts), Decimal(0))) < 0
    ]
    found += _due_containers(location_id, on, zone)
    found += _due_lots(held, on)
    found += _uncounted(location_id, on, zone)
    return in_order(found)


_ORDER = (
    "negative", "withdrawn", "past_date", "expired", "runs_out", "order", "discard_soon", "expiring",
    "no_lot", "uncounted",
)  # fmt: skip


def in_order(found: Iterable[StockDue]) -> list[StockDue]:
    """The most pressing first, always in the same order."""
    return sorted(
        found,
        key=lambda d: (
            _ORDER.index(d.kind), d.due_on, str(d.item_id), str(d.lot_id), str(d.container_id)
        ),
    )  # fmt: skip


def _due_containers(location_id: UUID, on: date, zone: str) -> list[StockDue]:
    found = []
    rows = OpenContainer.objects.filter(location_id=location_id, closed_at=None)
    for c in rows.select_related("lot"):
        fields: dict[str, Any] = {
            "item_id": c.item_id, "lot_id": c.lot_id, "container_id": c.id, "room_id": c.room_id,
        }  # fmt: skip
        if c.lot is not None and c.lot.withdrawn_at is not None:
            since = local_date(c.lot.withdrawn_at, zone)
            found.append(StockDue(kind="withdrawn", due_on=since, **fields))
        elif c.discard_by is not None and c.discard_by < on:
            found.append(StockDue(kind="past_date", due_on=c.discard_by, **fields))
        elif c.discard_by is not None and (c.discard_by - on).days <= rules.COUNT_EVERY_DAYS:
            found.append(StockDue(kind="discard_soon", due_on=c.discard_by, **fields))
        if c.lot_id is None:
            opened_on = local_date(c.opened_at, zone)
            found.append(StockDue(kind="no_lot", due_on=opened_on, **fields))
    return found


def _due_lots(held: dict[UUID, list[Held]], on: date) -> list[StockDue]:
    found = []
    for item_id, parts in held.items():
        for one in parts:
            if one.container_id or one.lot_id is None or one.use_by is None or one.quantity <= 0:
                continue
            left = (one.use_by - on).days
            if left <= rules.WARN_DAYS:
                kind = "expired" if left < 0 else "expiring"
                found.append(
                    StockDue(
                        kind=kind, item_id=item_id, lot_id=one.lot_id, due_on=one.use_by,
                        quantity=one.quantity,
                    )
                )  # fmt: skip
    return found


def _uncounted(location_id: UUID, on: date, zone: str) -> list[StockDue]:
    with connection.cursor() as cursor:
        cursor.execute(_LAST_COUNTS, {"place": location_id})
        rows = cursor.fetchall()
    found = []
    for item_id, _, counted_at, moved_at in rows:
        if (since := counted_at or moved_at) is None:
            continue
        due_on = local_date(since, zone) + timedelta(days=rules.COUNT_EVERY_DAYS)
        if due_on <= on:
            found.append(StockDue(kind="uncounted", item_id=item_id, due_on=due_on))
    return found
