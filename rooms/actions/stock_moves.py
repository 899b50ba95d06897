"""Movements of stock: how they are written, and summed up.

They are added and never changed, and nothing but their own rows is locked by them: whoever finishes
a line never waits for whoever counts. A balance below zero is no error; it is on a list.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import connection

from rooms.models import MovementKind, StockDelta, StockItem, StockLot, StockMovement, StockPart
from rooms.problems import WrongPartOfStock
from rooms.queries.stock_use import first_counts_after
from rooms.rules.stock import Held
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import invalid
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action, current

#: What is told later than this is a correction of today (house policy).
MOST_DAYS_LATE = 31
#: Deltas that go into balances in one transaction.
AT_ONCE = 5000


@action
def book_line_uses(*, actor: Actor, now: datetime, uses: Sequence[StockMovement]) -> None:
    """Add the movements that the lines of visits make, as `movement_of_line` makes them."""
    moved(uses)


def movement_of_line(
    *,
    business_id: UUID,
    location_id: UUID,
    line_id: UUID,
    item_id: UUID,
    lot_id: UUID | None,
    container_id: UUID | None,
    used: Decimal,
    happened_at: datetime,
    recorded_at: datetime,
    recorded_by: UUID | None,
) -> StockMovement:
    """A line used so much, or (less than 0) did not after all. Written by `book_line_uses`."""
    return StockMovement(
        business_id=business_id,
        location_id=location_id,
        item_id=item_id,
        lot_id=lot_id,
        container_id=container_id,
        kind=MovementKind.USED,
        quantity=-used,
        happened_at=happened_at,
        recorded_at=recorded_at,
        recorded_by=recorded_by,
        line_id=line_id,
    )


_SUM_UP = """
WITH taken AS (
    DELETE FROM rooms_stock_delta WHERE id IN (
        SELECT id FROM rooms_stock_delta WHERE location_id = %s ORDER BY id LIMIT %s FOR UPDATE SKIP LOCKED
    ) RETURNING business_id, location_id, item_id, lot_id, container_id, quantity
), summed AS (
    INSERT INTO rooms_stock_balance (id, business_id, location_id, item_id, lot_id, container_id, quantity)
    SELECT gen_random_uuid(), business_id, location_id, item_id, lot_id, container_id, sum(quantity)
    FROM taken GROUP BY business_id, location_id, item_id, lot_id, container_id
    ORDER BY item_id, lot_id, container_id
    ON CONFLICT (business_id, location_id, item_id, lot_id, container_id)
    DO UPDATE SET quantity = rooms_stock_balance.quantity + EXCLUDED.quantity
)
SELECT count(*) FROM taken
"""


@action
def sum_up_stock(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Put up to AT_ONCE new movements of a location into its balances; gives how many.

    Any number may run at once, and any may be killed: a movement's delta goes in the same commit in
    which its balance rises.
    """
    with connection.cursor() as cursor:
        cursor.execute(_SUM_UP, [location_id, AT_ONCE])
        return int(cursor.fetchone()[0])


def movement(
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    kind: MovementKind,
    quantity: Decimal,
    *,
    at: datetime,
    lot: StockLot | None = None,
    id: UUID | None = None,
    **more: Any,
) -> StockMovement:
    """A movement to be written by `moved`; `quantity` less than 0: out."""
    if lot is not None:
        more["lot_id"] = lot.id
    return StockMovement(
        id=id or uuid7(),
        business_id=actor.business_id,
        location_id=location_id,
        item_id=item_id,
        kind=kind,
        quantity=quantity,
        happened_at=at,
        recorded_at=now,
        recorded_by=actor.person_id,
        **more,
    )


def moved(rows: Iterable[StockMovement]) -> list[StockMovement]:
    """Write movements, and for each the delta that a balance will take up: one statement.

    What is recorded only after a later count had seen it does not move the stock again: that much
    less of the count's difference is unexplained, so a movement at the count's time takes it back.
    Gives `rows`.
    """
    found = list(rows)
    if found:
        written = [*found, *_seen_by_counts(found)]
        insert([*written, *(_delta(row) for row in written)])
    return found


#: These are two movements whose sum is nothing, so no count is another by them.
_WITHIN = (MovementKind.OPENED, MovementKind.DECANTED)


def _seen_by_counts(rows: Sequence[StockMovement]) -> list[StockMovement]:
    late = [r for r in rows if r.happened_at < r.recorded_at and r.kind not in _WITHIN]
    counts = first_counts_after(late)
    return [
        StockMovement(
            business_id=row.business_id,
            location_id=row.location_id,
            item_id=row.item_id,
            lot_id=row.lot_id,
            # What was closed holds nothing: the count had found it gone elsewhere.
            container_id=row.container_id if row.kind == MovementKind.USED else None,
            kind=MovementKind.COUNTED,
            quantity=-row.quantity,
            happened_at=counts[row.id],
            recorded_at=row.recorded_at,
            recorded_by=row.recorded_by,
        )
        for row in late
        if row.id in counts
    ]


def _delta(row: StockMovement) -> StockDelta:
    return StockDelta(
        business_id=row.business_id,
        location_id=row.location_id,
        item_id=row.item_id,
        lot_id=row.lot_id,
        container_id=row.container_id,
        quantity=row.quantity,
    )


def of_part(item: StockItem, part: StockPart) -> StockItem:
    """The item if it belongs to that part of the stock; raises `WrongPartOfStock`."""
    if item.part != part:
        raise WrongPartOfStock(part=item.part)
    return item


def when(at: datetime | None, now: datetime) -> datetime:
    """When it happened: now unless said; raises `InvalidInput` for what lies ahead or far back."""
    if at is None:
        return now
    if at > now:
        raise invalid("/at", "lies ahead")
    if at < now - timedelta(days=MOST_DAYS_LATE):
        raise invalid("/at", f"is more than {MOST_DAYS_LATE} days ago: correct the stock of today")
    return at


def parts_of(held: Iterable[Held], lot_id: UUID | None) -> list[Held]:
    """What is held of one lot, or (None) of all."""
    return [one for one in held if lot_id is None or one.lot_id == lot_id]


def evidence(kind: str, location_id: UUID | None, item_id: UUID, facts: dict[str, Any]) -> None:
    """An entry about an item: at the location, or (None) in the business's own chain."""
    current().evidence(
        kind, location_id=location_id, subject_id=item_id, facts={"item_id": item_id, **facts}
    )
