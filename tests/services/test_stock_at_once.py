"""Stock by many at once: uses booked by several workers, counted, opened and summed up meanwhile."""

from decimal import Decimal

import pytest

from rooms import actions as rooms
from rooms.models import Closing, StockMovement
from rooms.queries.stock import held_of
from rooms.rules.stock import plain
from services.actions import stock
from services.models import Line, LineState, LineUse, LineUseDue
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading
from tests.services import builders as build
from tests.services.test_checkout_at_once import _at_once
from tests.world import BUSINESS, LAKE, actor

SYSTEM = system_actor(BUSINESS)


def _by(who="lena"):
    return {"actor": actor(who), "now": clock.now()}


@pytest.fixture
def gloves(own_database):
    """A thousand pairs: the set-up list has one a line and one to spare a visit (common practice)."""
    item = rooms.add_stock_item(
        **_by(), name="Invented gloves", part="professional", unit="pair", code="gloves",
        uses_each=Decimal(1), pack_size=Decimal(50), lead_days=3,
    )  # fmt: skip
    rooms.receive_stock(
        **_by(), location_id=LAKE, item_id=item.id, quantity=Decimal(1000), lot_number="A"
    )
    return item


def _due(visits):
    def make():
        for line in Line.objects.filter(visit_id__in=[v.id for v in visits]):
            for _ in range(2):
                LineUseDue(
                    business_id=BUSINESS, line_id=line.id, location_id=LAKE, since=clock.now()
                ).save(force_insert=True)

    build.written(make)


def _book():
    return sum(iter(lambda: stock.book_uses(actor=SYSTEM, now=clock.now(), location_id=LAKE), 0))


def test_each_line_is_booked_once_whoever_counts_opens_and_sums_up_meanwhile(gloves):
    visits = [build.visit(LineState.FINISHED, LineState.FINISHED) for _ in range(12)]
    _due(visits)

    def count():
        rooms.count_stock(
            **_by("petra"), location_id=LAKE, item_id=gloves.id, counted=Decimal(1000)
        )

    def open_box():
        rooms.open_container(**_by("petra"), location_id=LAKE, item_id=gloves.id)

    def sum_up():
        for _ in range(5):
            rooms.sum_up_stock(actor=SYSTEM, now=clock.now(), location_id=LAKE)

    found = _at_once(_book, _book, _book, _book, open_box, open_box, sum_up, sum_up, count, count)
    assert [f for f in found if isinstance(f, Exception)] == []
    _book()
    with reading(BUSINESS):
        assert LineUseDue.objects.count() == 0
        uses = LineUse.objects.filter(stands=True)
        # Three a visit: a pair for each of two lines, and one to spare.
        assert sum(u.quantity for u in uses) == 12 * 3
        lines = StockMovement.objects.filter(line_id__isnull=False)
        assert sum(m.quantity for m in lines) == -36
        every = sum(m.quantity for m in StockMovement.objects.all())
        held = sum(h.quantity for h in held_of(LAKE, gloves.id))
    assert plain(held) == plain(every)


def test_two_who_count_at_once_move_the_difference_once(gloves):
    def count():
        return rooms.count_stock(
            **_by("petra"), location_id=LAKE, item_id=gloves.id, counted=Decimal(990)
        )

    found = _at_once(*[count] * 4)
    assert sorted(int(c.expected) for c in found) == [990, 990, 990, 1000]
    with reading(BUSINESS):
        assert sum(h.quantity for h in held_of(LAKE, gloves.id)) == 990


def test_two_who_close_a_container_at_once_close_it_once(gloves):
    box = rooms.open_container(**_by("petra"), location_id=LAKE, item_id=gloves.id)

    def close():
        return rooms.close_container(**_by("petra"), container_id=box.id, reason=Closing.EMPTY)

    found = _at_once(*[close] * 3)
    assert sorted(type(f).__name__ for f in found) == ["OpenContainer", "WrongState", "WrongState"]
    with reading(BUSINESS):
        assert sum(h.quantity for h in held_of(LAKE, gloves.id)) == 950
