"""Counting: what is there, against what the movements say."""

from datetime import datetime
from decimal import Decimal
from uuid import UUID

from rooms.actions.stock_moves import evidence, moved, movement, parts_of, when
from rooms.models import MovementKind, StockCount, StockItem
from rooms.queries import stock as queries
from rooms.rules import stock as rules
from rooms.rules.stock import plain
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action


@action
def count_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    counted: Decimal,
    lot_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockCount:
    """So much of an item (or of one lot of it) was there, sealed and open together; the difference is
    moved, and what is missing is presumed gone from what was due first.

    A count from offline is held against the stock as it was then. Two at once do not both move the
    difference: the item is locked, which no other movement waits for. Raises `NotFound`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    item = tenancy.locked(StockItem, item_id, actor)
    if lot_id is not None:
        lot_id = queries.lot_of(lot_id, item.id, place.id, actor).id
    counted_at = when(at, now)
    # Movements of this very moment, such as a delivery just booked in, are before the count.
    held = queries.held_of(place.id, item.id, at=None if at is None else counted_at)
    parts = parts_of(held, lot_id)
    expected = sum((one.quantity for one in parts), Decimal(0))
    row = StockCount(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        item=item,
        lot_id=lot_id,
        counted_at=counted_at,
        recorded_at=now,
        counted_by=actor.person_id,
        expected=expected,
        counted=counted,
    )
    insert([row])
    moved(
        movement(
            actor, now, place.id, item.id, MovementKind.COUNTED, one.quantity,
            at=counted_at, lot_id=one.lot_id or lot_id, container_id=one.container_id,
        )
        for one in rules.settled(parts, counted)
    )  # fmt: skip
    evidence(
        "stock.counted",
        place.id,
        item.id,
        {
            "count_id": row.id,
            "lot_id": lot_id,
            "expected": plain(expected),
            "counted": plain(counted),
            "unit": item.unit,
        },
    )
    return row
