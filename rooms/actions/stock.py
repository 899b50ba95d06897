"""Stock that comes and goes: received, used, discarded, corrected. What is sold is in `stock_sales`."""

from datetime import date, datetime
from decimal import Decimal
from uuid import UUID

from rooms.actions.stock_moves import evidence, moved, movement, of_part, when
from rooms.models import MovementKind, StockItem, StockLot, StockMovement, StockPart
from rooms.problems import LotDiffers
from rooms.queries import stock as queries
from rooms.rules import stock as rules
from rooms.rules.stock import plain
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import action


@action
def receive_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    lot_number: str = "",
    expires_on: date | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockMovement:
    """So much of an item came, under a lot number and expiry date as its label has them, if it has any.

    What is expired already is taken in as it is, and is on the list of what is due. Raises `NotFound`,
    `WrongState` for a retired item, `LotDiffers`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    # Two deliveries of one lot at the same time must not both make it.
    item = tenancy.locked(StockItem, item_id, actor)
    if not item.active:
        raise WrongState(thing="item", state="retired", needed="one that is in use")
    happened_at = when(at, now)
    lot = _lot(actor, place, item, lot_number.strip(), expires_on, happened_at)
    (row,) = moved(
        [movement(actor, now, place.id, item.id, MovementKind.RECEIVED, quantity, lot=lot, at=happened_at, id=id)]
    )  # fmt: skip
    evidence(
        "stock.received",
        place.id,
        item.id,
        {
            "movement_id": row.id,
            "lot_id": lot and lot.id,
            "lot_number": (lot and lot.number) or None,
            "expires_on": lot and lot.expires_on,
            "quantity": plain(quantity),
            "unit": item.unit,
        },
    )
    return row


def _lot(
    actor: Actor,
    place: Location,
    item: StockItem,
    number: str,
    expires_on: date | None,
    at: datetime,
) -> StockLot | None:
    if not number and expires_on is None:
        return None
    for lot in queries.lot_with(place.id, item.id, number):
        if lot.expires_on == expires_on:
            return lot
        if number:
            raise LotDiffers(
                number=number, expires_on=str(lot.expires_on) if lot.expires_on else "none"
            )
    lot = StockLot(
        business_id=actor.business_id,
        location=place,
        item=item,
        number=number,
        expires_on=expires_on,
        received_at=at,
    )
    put(lot)
    return lot


@action
def use_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    container_id: UUID | None = None,
    room_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockMovement:
    """So much was used besides the lines of visits: to clean with, to practise with, spilt.

    Of the container that is named, also one past its date: it happened. Else of the one that would
    be taken first in that room. Raises `NotFound`, `WrongPartOfStock`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    item = of_part(queries.item_of(item_id, actor), StockPart.PROFESSIONAL)
    happened_at = when(at, now)
    ids: dict[str, UUID | None] = {}
    if container_id is not None:
        container = queries.container_of(container_id, item.id, place.id, actor)
        ids = {"container_id": container.id, "lot_id": container.lot_id}
    else:
        stood = queries.stood_open(place.id, [item.id], happened_at, happened_at)
        chosen = rules.touched_by(
            stood.get(item.id, []),
            room_id=room_id and queries.room_at(room_id, place.id, actor),
            began_at=happened_at,
            ended_at=happened_at,
            on=local_date(happened_at, place.zone),
        )
        if chosen:
            ids = {"container_id": chosen[0].container_id, "lot_id": chosen[0].lot_id}
    (row,) = moved(
        [movement(actor, now, place.id, item.id, MovementKind.USED, -quantity, at=happened_at, id=id, **ids)]
    )  # fmt: skip
    return row


@action
def discard_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    reason: str,
    lot_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockMovement:
    """So much of what is not open was thrown away, and why; an open container is closed instead.

    Raises `NotFound`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    item = queries.item_of(item_id, actor)
    if lot_id is not None:
        lot_id = queries.lot_of(lot_id, item.id, place.id, actor).id
    (row,) = moved(
        [
            movement(
                actor, now, place.id, item.id, MovementKind.DISCARDED, -quantity,
                at=when(at, now), id=id, lot_id=lot_id, reason=reason,
            )
        ]
    )  # fmt: skip
    evidence(
        "stock.discarded",
        place.id,
        item.id,
        {"movement_id": row.id, "lot_id": lot_id, "quantity": plain(quantity), "unit": item.unit},
    )
    return row


@action
def correct_stock(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    quantity: Decimal,
    reason: str,
    lot_id: UUID | None = None,
    container_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> StockMovement:
    """Put right what was recorded wrongly, by so much more or less, and why: a movement of its own.

    Raises `NotFound`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    item = queries.item_of(item_id, actor)
    if quantity == 0:
        raise invalid("/quantity", "must not be 0")
    if container_id is not None:
        container = queries.container_of(container_id, item.id, place.id, actor)
        if lot_id not in {None, container.lot_id}:
            raise invalid("/lot_id", "is not the lot of that container", "mismatch")
        lot_id = container.lot_id
    elif lot_id is not None:
        lot_id = queries.lot_of(lot_id, item.id, place.id, actor).id
    (row,) = moved(
        [
            movement(
                actor, now, place.id, item.id, MovementKind.CORRECTED, quantity,
                at=when(at, now), id=id, lot_id=lot_id, container_id=container_id, reason=reason,
            )
        ]
    )  # fmt: skip
    evidence(
        "stock.corrected",
        place.id,
        item.id,
        {
            "movement_id": row.id,
            "lot_id": lot_id,
            "container_id": container_id,
            "quantity": plain(quantity),
            "unit": item.unit,
        },
    )
    return row
