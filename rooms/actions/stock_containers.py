"""Open containers: opened, decanted, moved, closed. None is ever topped up, so each has one lot and one date."""

from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from rooms.actions.stock_moves import evidence, moved, movement, of_part, when
from rooms.models import (
    Closing,
    ContainerPlace,
    MovementKind,
    OpenContainer,
    StockLot,
    StockPart,
)
from rooms.problems import NotToBeUsed
from rooms.queries import stock as queries
from rooms.rules import stock as rules
from rooms.rules.stock import plain
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action


@action
def open_container(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    item_id: UUID,
    lot_id: UUID | None = None,
    room_id: UUID | None = None,
    holds: Decimal | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> OpenContainer:
    """Open a container of a professional item in a room, or for wherever it is wanted.

    Of the lot that is named, else of the one in stock that expires first; with nothing in the books
    its lot is not known. It holds a pack unless said. It may be used to the earlier of the lot's
    expiry and the label's period after opening. Raises `NotFound`, `WrongPartOfStock`, `WrongState`
    for a retired item, `NotToBeUsed`, `InvalidInput`.
    """
    place = tenancy.location(location_id, actor)
    item = of_part(queries.item_of(item_id, actor), StockPart.PROFESSIONAL)
    if not item.active:
        raise WrongState(thing="item", state="retired", needed="one that is in use")
    opened_at = when(at, now)
    on = local_date(opened_at, place.zone)
    if room_id is not None:
        room_id = queries.room_at(room_id, place.id, actor)
    lot = None
    if lot_id is None:
        lot_id = rules.lot_to_open(queries.held_of(place.id, item.id), on)
    if lot_id is not None:
        lot = queries.lot_of(lot_id, item.id, place.id, actor)
        _check_lot(lot, on)
    container = OpenContainer(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        item=item,
        lot=lot,
        room_id=room_id,
        holds=item.pack_size if holds is None else holds,
        opened_at=opened_at,
        opened_by=actor.person_id,
        discard_by=rules.discard_by(
            on,
            expires_on=lot.expires_on if lot else None,
            months=item.months_after_opening,
            days=item.days_after_opening,
        ),
    )
    put(container)
    _place(actor, now, container, opened_at)
    _filled(actor, now, container, MovementKind.OPENED, opened_at, source=None)
    _evidence(
        "stock.container_opened",
        container,
        {"room_id": room_id, "discard_by": container.discard_by, "decanted_from_id": None},
    )
    return container


def _check_lot(lot: StockLot, on: date) -> None:
    if lot.withdrawn_at is not None:
        raise NotToBeUsed(thing="lot", why="withdrawn")
    if not rules.may_be_used(lot.expires_on, withdrawn=False, on=on):
        raise NotToBeUsed(thing="lot", why="past its date")


@action
def decant(
    *,
    actor: Actor,
    now: datetime,
    container_id: UUID,
    quantity: Decimal,
    room_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> OpenContainer:
    """Fill a clean, empty container from an open one: same lot, same date to discard it by.

    Never into one that holds something: what is in use is not topped up. Locks the container it
    comes from. Raises `NotFound`, `WrongState` for a closed one, `NotToBeUsed`, `InvalidInput`.
    """
    source = tenancy.locked(OpenContainer, container_id, actor)
    happened_at = when(at, now)
    _check_open(source, happened_at)
    place = source.location
    lot, on = source.lot, local_date(happened_at, place.zone)
    if lot is not None:
        _check_lot(lot, on)
    if not rules.may_be_used(source.discard_by, withdrawn=False, on=on):
        raise NotToBeUsed(thing="container", why="past its date")
    if quantity > source.holds:
        raise invalid("/quantity", "is more than it held when it was opened")
    if room_id is not None:
        room_id = queries.room_at(room_id, place.id, actor)
    container = OpenContainer(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        item_id=source.item_id,
        lot=lot,
        room_id=room_id,
        holds=quantity,
        opened_at=happened_at,
        opened_by=actor.person_id,
        discard_by=source.discard_by,
        decanted_from=source,
    )
    put(container)
    _place(actor, now, container, happened_at)
    _filled(actor, now, container, MovementKind.DECANTED, happened_at, source=source.id)
    _evidence(
        "stock.container_opened",
        container,
        {"room_id": room_id, "discard_by": container.discard_by, "decanted_from_id": source.id},
    )
    return container


@action
def move_container(
    *,
    actor: Actor,
    now: datetime,
    container_id: UUID,
    room_id: UUID | None,
    at: datetime | None = None,
) -> OpenContainer:
    """From then on an open container stands in another room, or (None) wherever it is wanted.

    Raises `NotFound`, `WrongState`, `InvalidInput`.
    """
    container = tenancy.locked(OpenContainer, container_id, actor)
    from_at = when(at, now)
    _check_open(container, from_at)
    if room_id is not None:
        room_id = queries.room_at(room_id, container.location_id, actor)
    container.room_id = room_id
    _place(actor, now, container, from_at)
    container.room_id = queries.last_place(container.id)
    put(container, fields=["room_id"])
    return container


@action
def close_container(
    *,
    actor: Actor,
    now: datetime,
    container_id: UUID,
    reason: Closing,
    at: datetime | None = None,
) -> OpenContainer:
    """An open container is empty, or was thrown away with what was left in it.

    What the books still have in it is used up where it is empty, as a count would find; discarded
    else. Raises `NotFound`, `WrongState` for a closed one, `InvalidInput`.
    """
    container = tenancy.locked(OpenContainer, container_id, actor)
    closed_at = when(at, now)
    _check_open(container, closed_at)
    left = queries.content_of(container)
    container.closed_at, container.closed_by = closed_at, actor.person_id
    container.closed_reason = reason
    put(container, fields=["closed_at", "closed_by", "closed_reason"])
    thrown_away = reason is not Closing.EMPTY and left > 0
    kind = MovementKind.DISCARDED if thrown_away else MovementKind.COUNTED
    if left:
        moved(
            [
                movement(
                    actor, now, container.location_id, container.item_id, kind, -left,
                    at=closed_at, lot_id=container.lot_id, container_id=container.id,
                )
            ]
        )  # fmt: skip
    _evidence("stock.container_closed", container, {"reason": reason.value, "left": plain(left)})
    return container


def _check_open(container: OpenContainer, at: datetime) -> None:
    if container.closed_at is not None:
        raise WrongState(thing="container", state="closed", needed="an open one")
    if at < container.opened_at:
        raise invalid("/at", "is before it was opened")


def _place(actor: Actor, now: datetime, container: OpenContainer, from_at: datetime) -> None:
    insert(
        [
            ContainerPlace(
                business_id=container.business_id,
                container_id=container.id,
                room_id=container.room_id,
                from_at=from_at,
                recorded_at=now,
                recorded_by=actor.person_id,
            )
        ]
    )


def _filled(
    actor: Actor,
    now: datetime,
    container: OpenContainer,
    kind: MovementKind,
    at: datetime,
    *,
    source: UUID | None,
) -> None:
    """Its content leaves what is sealed, or the container it is decanted from: the sum stays."""
    where = {"lot_id": container.lot_id, "at": at}
    to, item = container.location_id, container.item_id
    moved(
        [
            movement(actor, now, to, item, kind, -container.holds, container_id=source, **where),
            movement(actor, now, to, item, kind, container.holds, container_id=container.id, **where),
        ]
    )  # fmt: skip


def _evidence(kind: str, container: OpenContainer, facts: dict[str, Any]) -> None:
    about = {"container_id": container.id, "lot_id": container.lot_id}
    evidence(kind, container.location_id, container.item_id, about | facts)
