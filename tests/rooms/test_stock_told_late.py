"""Stock told in any order, as tablets come back from offline, against a replay in the order of time."""

from datetime import timedelta
from decimal import Decimal
from random import Random

import pytest

from rooms import actions as rooms
from rooms.models import StockMovement
from rooms.queries.stock import held_at
from rooms.queries.stock_use import counted_use
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, actor

SYSTEM = system_actor(BUSINESS)


def happened(dice, many):
    """What really went on, in the order of time: (minute, kind, amount); counts say what is there then."""
    there, found = 0, []
    for minute in range(many):
        kind = dice.choice(["received", "used", "used", "discarded", "count"])
        amount = dice.randrange(1, 30)
        if kind == "received":
            there += 10 * amount
            amount *= 10
        elif kind in {"used", "discarded"}:
            there -= amount
        else:
            # Something is always lost, and now and then found again; nothing is below nothing.
            there = max(there - dice.randrange(-3, 6), 0)
            amount = there
        found.append((minute, kind, amount))
    return there, found


@pytest.mark.parametrize("seed", range(8))
def test_whatever_is_told_in_which_order_the_stock_is_what_it_was_in_time(db, now, seed):
    dice = Random(seed)
    there, events = happened(dice, 24)
    start, end = now - timedelta(hours=2), now
    item = rooms.add_stock_item(
        actor=actor("lena"), now=start, name="Invented strips", part="professional", unit="piece",
        uses_each=Decimal(1), pack_size=Decimal(100), lead_days=3,
    ).id  # fmt: skip
    dice.shuffle(events)
    for told, (minute, kind, amount) in enumerate(events):
        said = {
            "actor": actor("lena"), "now": end + timedelta(seconds=told), "location_id": LAKE,
            "item_id": item, "at": start + timedelta(minutes=minute),
        }  # fmt: skip
        if kind == "count":
            rooms.count_stock(**said, counted=Decimal(amount))
        elif kind == "received":
            rooms.receive_stock(**said, quantity=Decimal(amount), lot_number=f"L{amount % 3}")
        elif kind == "used":
            rooms.use_stock(**said, quantity=Decimal(amount))
        else:
            rooms.discard_stock(**said, quantity=Decimal(amount), reason="spilt")
        if dice.random() < 0.3:
            rooms.sum_up_stock(actor=SYSTEM, now=said["now"], location_id=LAKE)
    with reading(BUSINESS):
        held = held_at(LAKE)[item]
        moved = sum(m.quantity for m in StockMovement.objects.filter(item_id=item))
        assert sum(h.quantity for h in held) == moved == there
        for minute, kind, amount in events:
            if kind == "count":
                then = held_at(LAKE, at=start + timedelta(minutes=minute)).get(item, [])
                assert sum(h.quantity for h in then) == amount
        # What counts found gone is all that was told by nobody.
        counts = sorted((m, a) for m, k, a in events if k == "count")
        if len(counts) > 1:
            (before, was), (last, is_) = counts[-2:]
            between = [(k, a) for m, k, a in events if before < m < last]
            came = sum(a for k, a in between if k == "received")
            went = {k: sum(a for kind, a in between if kind == k) for k in ("used", "discarded")}
            (found,) = counted_use(LAKE, start, end)
            assert found.use.recipe == went["used"]
            assert found.use.actual == was + came - went["discarded"] - is_
