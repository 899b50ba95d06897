"""The stock of the simulated location: boxes of gloves and applicators, and what is really in them."""

import random
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from rooms.actions import stock, stock_containers, stock_counts, stock_items
from rooms.models import Closing, StockPart, StockUnit
from spa_ops.kernel.actor import Role, system_actor
from spa_ops.unit.work import reading
from tests.acceptance.month import scene as at
from tests.acceptance.month.scene import PLACE, by, uid, worker
from tests.world import BUSINESS

LEAD = by(Role.LEAD, "month worker 0")
#: item -> what the set-up list calls it, its size there, how many are in a box.
ITEMS = {
    "gloves": ("gloves", "", 100),
    "small applicators": ("wax_applicator", "small", 200),
    "medium applicators": ("wax_applicator", "medium", 200),
    "large applicators": ("wax_applicator", "large", 200),
}
#: Which applicators an area takes, and how many are laid out: sections by two applications of hard
#: wax (common practice, no source).
APPLICATORS = {"brow": ("small", 4 * 2), "lip": ("medium", 3 * 2), "chin": ("large", 3 * 2)}
#: Fresh gloves for each service and a spare pair in reach (common practice, no source).
PAIRS = 2
#: With less than this in a box another one is opened before the next client.
LOW = 20


@dataclass(slots=True)
class Box:
    """An open box in a room."""

    id: UUID
    lot: str
    left: int


@dataclass(slots=True)
class Shelf:
    """What is really there, apart from what the program has in its books."""

    sealed: dict[str, dict[str, int]] = field(default_factory=lambda: defaultdict(dict))
    expiry: dict[str, date] = field(default_factory=dict)
    boxes: dict[tuple[str, int], Box] = field(default_factory=dict)
    #: Lot -> the visits in whose room a box of it stood while the work went on.
    touched: dict[str, set[UUID]] = field(default_factory=lambda: defaultdict(set))
    used: Counter[str] = field(default_factory=Counter)
    wasted: Counter[str] = field(default_factory=Counter)
    found_missing: Counter[str] = field(default_factory=Counter)

    def fill(self, now: datetime, boxes: int) -> None:
        """Put the items on file, and two deliveries of each: the later one expires first."""
        for name, (code, size, pack) in ITEMS.items():
            stock_items.add_stock_item(
                actor=system_actor(BUSINESS), now=now, id=uid(name), name=f"invented {name}",
                part=StockPart.PROFESSIONAL, code=code, size=size, lead_days=3, pack_size=Decimal(pack),
                unit=StockUnit.PAIR if code == "gloves" else StockUnit.PIECE, uses_each=Decimal(1),
            )  # fmt: skip
            self.receive(now, name, f"{name} B", date(2028, 1, 31), boxes)
            self.receive(now, name, f"{name} A", date(2027, 6, 30), 2)

    def receive(self, now: datetime, name: str, lot: str, expires_on: date, boxes: int) -> None:
        """Boxes of one lot come."""
        pieces = boxes * ITEMS[name][2]
        stock.receive_stock(
            actor=LEAD, now=now, location_id=PLACE, item_id=uid(name), quantity=Decimal(pieces),
            lot_number=lot, expires_on=expires_on,
        )  # fmt: skip
        self.sealed[name][lot] = self.sealed[name].get(lot, 0) + pieces
        self.expiry[lot] = expires_on

    def made_ready(self, now: datetime, room: int, who: UUID, area: str) -> list[Box]:
        """The boxes that a service in a room takes from, another one opened where one is nearly empty."""
        names = ["gloves", f"{APPLICATORS[area][0]} applicators"]
        return [self._box(now, room, who, name) for name in names]

    def _box(self, now: datetime, room: int, who: UUID, name: str) -> Box:
        box = self.boxes.get((name, room))
        if box is not None and box.left >= LOW:
            return box
        if box is not None:
            stock_containers.close_container(
                actor=worker(who), now=now, container_id=box.id, reason=Closing.EMPTY
            )
            self.used[f"{name} thrown away"] += box.left
        pack = ITEMS[name][2]
        made = stock_containers.open_container(
            actor=worker(who), now=now, location_id=PLACE, item_id=uid(name), room_id=at_room(room)
        )
        assert made.lot is not None
        # First expired, first out; whoever opens it reads the lot off the box.
        lot = min((x for x, n in self.sealed[name].items() if n), key=self.expiry.__getitem__)
        assert made.lot.number == lot
        self.sealed[name][lot] -= pack
        box = self.boxes[name, room] = Box(made.id, lot, pack)
        return box

    def use(self, boxes: list[Box], visit: UUID, area: str, applicators: int) -> None:
        """A service was done: so much is gone from its boxes."""
        for box, many in zip(boxes, (PAIRS, applicators), strict=True):
            box.left -= many
            self.touched[box.lot].add(visit)
        self.used["gloves"] += PAIRS
        self.used[f"{APPLICATORS[area][0]} applicators"] += applicators

    def waste(self, dice: random.Random, room: int) -> None:
        """A torn pair that nobody writes down."""
        box = self.boxes.get(("gloves", room))
        if box is not None and box.left > LOW and dice.random() < 0.05:
            box.left -= 1
            self.wasted["gloves"] += 1

    def there(self, name: str) -> int:
        """How many are really there, sealed and open."""
        opened = sum(box.left for (item, _), box in self.boxes.items() if item == name)
        return sum(self.sealed[name].values()) + opened

    def count(self, now: datetime) -> None:
        """The weekly count of everything."""
        for name in ITEMS:
            row = stock_counts.count_stock(
                actor=LEAD, now=now, location_id=PLACE, item_id=uid(name), counted=Decimal(self.there(name))
            )  # fmt: skip
            self.found_missing[name] += int(row.expected - row.counted)

    def books(self) -> dict[str, Any]:
        """What the program says may be used of each item, beside what is really there."""
        from rooms.queries.stock import available

        with reading(BUSINESS):
            held = available(PLACE, {uid(name) for name in ITEMS}, at.FIRST_DAY)
        return {name: (held[uid(name)], self.there(name)) for name in ITEMS}


def at_room(number: int) -> UUID:
    """The id of a room by its number."""
    return uid(f"month room {number}")
