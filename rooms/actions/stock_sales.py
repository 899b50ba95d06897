"""Retail stock that is sold and comes back. Professional stock is never sold, nor what is past its date."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from rooms.actions.stock_moves import moved, movement, of_part, when
from rooms.models import MovementKind, StockLot, StockMovement, StockPart
from rooms.problems import NotToBeUsed
from rooms.queries import stock as queries
from rooms.rules import stock as rules
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import action


@action
def sell_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    lot_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockMovement:
    """So much of a retail item was sold without a visit: as `sell_retail`, of which it gives the first movement.

    Raises as that one, and `InvalidInput` for a time that lies ahead or far back.
    """
    return sell_retail(
        actor=actor, now=now, location_id=location_id, item_id=item_id, quantity=quantity,
        lot_id=lot_id, at=when(at, now), id=id,
    )[0]  # fmt: skip


@action
def sell_retail(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    lot_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> list[StockMovement]:
    """Take so much of a retail item out of stock: of the lot that is named, else first expired, first out.

    A movement for each lot. What the books do not have is sold of no known lot, and they stand below
    nothing until somebody counts. Raises `NotFound`, `WrongPartOfStock`, `InvalidInput`, and
    `NotToBeUsed` for a lot past its date or called back, also where nothing else is left.
    """
    place = tenancy.location(location_id, actor)
    item = of_part(queries.item_of(item_id, actor), StockPart.RETAIL)
    happened_at = at or now
    parts: list[tuple[UUID | None, Decimal]]
    if lot_id is not None:
        lot = queries.lot_of(lot_id, item.id, place.id, actor)
        _check_sold(lot, place, happened_at)
        parts = [(lot.id, quantity)]
    else:
        held = queries.held_of(place.id, item.id)
        on = local_date(happened_at, place.zone)
        parts = rules.lots_to_sell(held, quantity, on)
        if parts[-1][0] is None and rules.is_left_unusable(held, on):
            raise NotToBeUsed(thing="stock", why="past its date or called back")
    ids = [id, *[None] * (len(parts) - 1)]
    return moved(
        movement(actor, now, place.id, item.id, MovementKind.SOLD, -many, at=happened_at, id=own, lot_id=lot)
        for own, (lot, many) in zip(ids, parts, strict=True)
    )  # fmt: skip


def _check_sold(lot: StockLot, place: Location, at: datetime) -> None:
    if lot.withdrawn_at is not None:
        raise NotToBeUsed(thing="lot", why="called back")
    if not rules.may_be_used(lot.expires_on, withdrawn=False, on=local_date(at, place.zone)):
        raise NotToBeUsed(thing="lot", why="past its date")


@action
def take_back_retail(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    parts: Sequence[tuple[UUID | None, Decimal]],
) -> list[StockMovement]:
    """What was sold is in stock again: so much of each lot, as it was taken out."""
    return moved(
        movement(actor, now, location_id, item_id, MovementKind.SOLD, many, at=now, lot_id=lot)
        for lot, many in parts
    )
