"""Reads of stock: what is held and what stands open. Balances are sums of movements, kept cheaply."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID

from django.db import connection

from rooms.models import ContainerPlace, OpenContainer, Room, StockItem, StockLot, StockMovement
from rooms.rules import stock as rules
from rooms.rules.stock import Held
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound, invalid
from spa_ops.tenancy import queries as tenancy

# What is not in a balance yet stands as a delta: in one statement the two are always the whole.
# What happened after `at` is taken off again.
_HELD = """
SELECT b.item_id, b.lot_id, b.container_id, sum(b.quantity),
       CASE WHEN b.container_id IS NULL THEN l.expires_on ELSE c.discard_by END,
       l.withdrawn_at IS NOT NULL, c.closed_at IS NOT NULL
FROM (
    SELECT item_id, lot_id, container_id, quantity FROM rooms_stock_balance
    WHERE location_id = %(place)s AND (%(items)s::uuid[] IS NULL OR item_id = ANY(%(items)s))
    UNION ALL
    SELECT item_id, lot_id, container_id, quantity FROM rooms_stock_delta
    WHERE location_id = %(place)s AND (%(items)s::uuid[] IS NULL OR item_id = ANY(%(items)s))
    UNION ALL
    SELECT item_id, lot_id, container_id, -quantity FROM rooms_stock_movement
    WHERE %(at)s::timestamptz IS NOT NULL AND location_id = %(place)s AND happened_at > %(at)s
      AND (%(items)s::uuid[] IS NULL OR item_id = ANY(%(items)s))
) b
LEFT JOIN rooms_stock_lot l ON l.id = b.lot_id
LEFT JOIN rooms_open_container c ON c.id = b.container_id
GROUP BY b.item_id, b.lot_id, b.container_id, 5, 6, 7
HAVING sum(b.quantity) <> 0
"""


def held_at(
    location_id: UUID,
    item_ids: Collection[UUID] | None = None,
    *,
    at: datetime | None = None,
) -> dict[UUID, list[Held]]:
    """What a location holds of each item (all, unless named), by lot and open container. One statement.

    `at`: as it was then by what is known now. Items of which nothing is held are left out.
    """
    asked = None if item_ids is None else list(item_ids)
    with connection.cursor() as cursor:
        cursor.execute(_HELD, {"place": location_id, "items": asked, "at": at})
        rows = cursor.fetchall()
    found: dict[UUID, list[Held]] = defaultdict(list)
    for item_id, lot_id, container_id, quantity, use_by, withdrawn, closed in rows:
        found[item_id].append(
            Held(
                quantity=quantity,
                lot_id=lot_id,
                container_id=container_id,
                use_by=use_by,
                withdrawn=withdrawn,
                closed=closed,
            )
        )
    return found


def held_of(location_id: UUID, item_id: UUID, *, at: datetime | None = None) -> list[Held]:
    """What a location holds of one item."""
    return held_at(location_id, [item_id], at=at).get(item_id, [])


def content_of(container: OpenContainer) -> Decimal:
    """What the movements say is in a container; less than 0 where more was used than was in it."""
    held = held_of(container.location_id, container.item_id)
    return sum((x.quantity for x in held if x.container_id == container.id), Decimal(0))


def item_of(item_id: UUID, actor: Actor) -> StockItem:
    """An item; raises `NotFound`."""
    return tenancy.loaded(StockItem, item_id, actor)


def any_lot(lot_id: UUID, location_id: UUID, actor: Actor) -> StockLot:
    """A lot at that location; raises `NotFound`."""
    lot = tenancy.loaded(StockLot, lot_id, actor)
    if lot.location_id != location_id:
        raise NotFound
    return lot


def lot_of(lot_id: UUID, item_id: UUID, location_id: UUID, actor: Actor) -> StockLot:
    """A lot of that item at that location; raises `NotFound`, `InvalidInput` for another item's."""
    lot = any_lot(lot_id, location_id, actor)
    if lot.item_id != item_id:
        raise invalid("/lot_id", "is a lot of another item", "mismatch")
    return lot


def any_container(container_id: UUID, location_id: UUID, actor: Actor) -> OpenContainer:
    """A container opened at that location, also a closed one; raises `NotFound`."""
    container = tenancy.loaded(OpenContainer, container_id, actor)
    if container.location_id != location_id:
        raise NotFound
    return container


def container_of(
    container_id: UUID, item_id: UUID, location_id: UUID, actor: Actor
) -> OpenContainer:
    """A container of that item opened at that location; raises as `lot_of`."""
    container = any_container(container_id, location_id, actor)
    if container.item_id != item_id:
        raise invalid("/container_id", "is a container of another item", "mismatch")
    return container


def lot_with(location_id: UUID, item_id: UUID, number: str) -> list[StockLot]:
    """The lots of an item at a location under one number."""
    rows = StockLot.objects.filter(location_id=location_id, item_id=item_id, number=number)
    return list(rows.order_by("id"))


def has_movements(item_id: UUID) -> bool:
    """Whether anything of the item was ever moved, anywhere."""
    return StockMovement.objects.filter(item_id=item_id).exists()


_STOOD = """
SELECT c.id, c.item_id, c.lot_id, p.room_id, p.from_at,
       least(lead(p.from_at) OVER (PARTITION BY c.id ORDER BY p.from_at, p.id), c.closed_at),
       c.discard_by, l.withdrawn_at,
       c.closed_at IS NOT NULL AND lead(p.from_at) OVER (PARTITION BY c.id ORDER BY p.from_at, p.id) IS NULL
FROM rooms_open_container c
JOIN rooms_container_place p ON p.container_id = c.id
LEFT JOIN rooms_stock_lot l ON l.id = c.lot_id
WHERE c.location_id = %(place)s AND c.item_id = ANY(%(items)s) AND c.opened_at <= %(until)s
  AND (c.closed_at IS NULL OR c.closed_at >= %(since)s)
"""


def stood_open(
    location_id: UUID, item_ids: Collection[UUID], since: datetime, until: datetime
) -> dict[UUID, list[rules.Stood]]:
    """Where containers of each item stood open at some time in [since, until]. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(
            _STOOD,
            {"place": location_id, "items": list(item_ids), "since": since, "until": until},
        )
        rows = cursor.fetchall()
    found: dict[UUID, list[rules.Stood]] = defaultdict(list)
    for container, item, lot, room, from_at, until_at, use_by, withdrawn_at, closed in rows:
        found[item].append(
            rules.Stood(
                container_id=container,
                item_id=item,
                lot_id=lot,
                room_id=room,
                from_at=from_at,
                until_at=until_at,
                use_by=use_by,
                withdrawn_at=withdrawn_at,
                is_closed=closed,
            )
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """An item and how it stands at a location."""

    item: StockItem
    standing: rules.Standing


def balances(location_id: UUID, on: date, part: str | None = None) -> list[Balance]:
    """Every item in use, or of which something is held, by name: how it stands on a local day. Two statements."""
    held = held_at(location_id)
    rows = StockItem.objects.order_by("name", "id")
    if part is not None:
        rows = rows.filter(part=part)
    return [
        Balance(item=item, standing=rules.standing(held.get(item.id, []), on))
        for item in rows
        if item.active or item.id in held
    ]


def available(location_id: UUID, item_ids: Collection[UUID], on: date) -> dict[UUID, Decimal]:
    """How much of each item may be used on a local day. One statement."""
    held = held_at(location_id, item_ids)
    return {i: rules.standing(held.get(i, []), on).usable for i in item_ids}


def room_at(room_id: UUID, location_id: UUID, actor: Actor) -> UUID:
    """A room of that location; raises `NotFound`."""
    room = tenancy.loaded(Room, room_id, actor)
    if room.location_id != location_id:
        raise NotFound
    return room.id


def last_place(container_id: UUID) -> UUID | None:
    """In which room a container was put last, by when it was; None: wherever it is wanted."""
    rows = ContainerPlace.objects.filter(container_id=container_id)
    return rows.order_by("-from_at", "-id").values_list("room_id", flat=True)[0]
