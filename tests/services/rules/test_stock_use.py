"""What a line uses of the stock, from its set-up list and what its record says."""

from decimal import Decimal
from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from services.rules.set_up import SetUpItem
from services.rules.stock_use import Said, Shelf, Stocked, Use, added, recipe, shared, uses

STRIP, SMALL, LARGE, GEL, BALM = (UUID(int=n) for n in range(1, 6))
PRODUCT = UUID(int=99)
LOT, OTHER_LOT, JAR = UUID(int=200), UUID(int=201), UUID(int=300)
SHELF = Shelf(
    [
        Stocked(id=STRIP, code="wax_strip", uses_each=Decimal(1)),
        Stocked(id=SMALL, code="wax_applicator", size="small", uses_each=Decimal(1)),
        Stocked(id=LARGE, code="wax_applicator", size="large", uses_each=Decimal(1)),
        Stocked(id=GEL, code="calming_gel", uses_each=Decimal(3)),
        Stocked(id=BALM, code="skin_products", skin_product_id=PRODUCT, uses_each=Decimal("0.5")),
    ]
)


def row(code, count, size="", key=""):
    return SetUpItem(key=key or code, code=code, title=code, count=count, size=size, sources=())


def amounts(found):
    return {(u.item_id, u.lot_id, u.container_id): u.quantity for u in found}


def test_a_list_uses_what_is_kept_of_it():
    found = recipe(
        [
            row("wax_strip", 6, "small"), row("wax_strip", 4, "large"), row("wax_applicator", 8, "small"),
            row("wax_applicator", 2, "medium"), row("calming_gel", 1), row("mirror", 1),
            row("skin_products", 1, key=f"skin_products:{PRODUCT}"),
            row("skin_products", 1, key=f"skin_products:{JAR}"),
        ],
        SHELF,
    )  # fmt: skip
    # Strips are kept in one size; medium applicators, the mirror and the other product are not kept.
    assert found == {STRIP: 10, SMALL: 8, GEL: 3, BALM: Decimal("0.5")}


def test_a_second_line_adds_what_it_makes_the_list_longer_by():
    assert added({STRIP: Decimal(6), GEL: Decimal(3)}, {STRIP: Decimal(10), GEL: Decimal(3), SMALL: Decimal(2)}) == {
        STRIP: 4, GEL: 0, SMALL: 2,
    }  # fmt: skip


PLANNED = {STRIP: Decimal(6), GEL: Decimal(3)}


def test_what_is_not_said_is_as_planned():
    assert amounts(uses(PLANNED, [], SHELF)) == {(STRIP, None, None): 6, (GEL, None, None): 3}


def test_what_the_last_record_says_of_an_item_holds_and_only_of_that():
    said = [
        Said(place=0, item_id=GEL, lot_id=LOT, amount=Decimal(9)),
        Said(place=1, item_id=GEL, lot_id=OTHER_LOT, container_id=JAR),
        Said(place=1, item_id=BALM),
    ]
    assert amounts(uses(PLANNED, said, SHELF)) == {
        (STRIP, None, None): 6, (GEL, OTHER_LOT, JAR): 3, (BALM, None, None): Decimal("0.5"),
    }  # fmt: skip


def test_said_with_nothing_is_not_used():
    assert amounts(uses(PLANNED, [Said(place=0, item_id=GEL, amount=Decimal(0))], SHELF)) == {(STRIP, None, None): 6}  # fmt: skip


def test_two_of_an_item_share_what_is_planned():
    said = [Said(place=0, item_id=GEL, lot_id=LOT, amount=Decimal(1)), Said(place=0, item_id=GEL, lot_id=OTHER_LOT)]  # fmt: skip
    found = amounts(uses(PLANNED, said, SHELF))
    assert (found[GEL, LOT, None], found[GEL, OTHER_LOT, None]) == (1, 2)
    both = [Said(place=0, item_id=GEL, lot_id=LOT), Said(place=0, item_id=GEL, lot_id=OTHER_LOT)]
    assert sum(u.quantity for u in uses(PLANNED, both, SHELF) if u.item_id == GEL) == 3


def test_a_count_of_applicators_is_shared_out_by_size():
    planned = {SMALL: Decimal(8), LARGE: Decimal(4), GEL: Decimal(3)}
    said = [Said(place=0, code="wax_applicator", amount=Decimal(9))]
    found = amounts(uses(planned, said, SHELF))
    assert found == {(SMALL, None, None): 6, (LARGE, None, None): 3, (GEL, None, None): 3}
    # None is planned where freshly disinfected ones are used: then there is nothing to count down.
    assert amounts(uses({GEL: Decimal(3)}, said, SHELF)) == {(GEL, None, None): 3}


def test_what_is_gone_from_the_shelf_is_left_out():
    assert uses({}, [Said(place=0, item_id=UUID(int=77))], SHELF) == []


@given(st.integers(0, 500), st.lists(st.integers(0, 40).map(Decimal), min_size=1, max_size=6))
def test_sharing_out_loses_nothing_and_is_fair(count, weights):
    found = shared(count, weights)
    assert sum(found) == count
    total = sum(weights)
    if total:
        for part, weight in zip(found, weights, strict=True):
            assert abs(part - count * weight / total) < 1


@given(
    st.dictionaries(st.sampled_from([STRIP, SMALL, LARGE, GEL]), st.integers(0, 20).map(Decimal)),
    st.lists(
        st.builds(
            Said, place=st.integers(0, 2), item_id=st.sampled_from([STRIP, SMALL, GEL, BALM]),
            lot_id=st.sampled_from([None, LOT, OTHER_LOT]), container_id=st.none(),
            amount=st.none() | st.integers(0, 9).map(Decimal),
        ), max_size=5,
    ),
)  # fmt: skip
def test_no_use_is_below_nothing_and_each_place_is_named_once(planned, said):
    found = uses(planned, said, SHELF)
    keys = [(u.item_id, u.lot_id, u.container_id) for u in found]
    assert len(keys) == len(set(keys))
    assert all(isinstance(u, Use) and u.quantity >= 0 for u in found)
    named = {s.item_id for s in said}
    for item, amount in planned.items():
        if item not in named:
            assert amounts(found)[item, None, None] == amount
