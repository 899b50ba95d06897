"""Ticks: the last one of an item holds, by when it happened; what no longer fits is laid out again or put back."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from services.rules.set_up import SetUpItem
from services.rules.set_up_ticks import (
    ItemState,
    Tick,
    is_complete,
    standing,
    state_of,
    to_put_back,
)

T0 = datetime(2026, 5, 6, 15, tzinfo=UTC)
GLOVES = SetUpItem(key="gloves", code="gloves", title="gloves", count=2, sources=())
MIRROR = SetUpItem(key="mirror", code="mirror", title="mirror", count=1, sources=())


def tick(item="gloves", count=2, laid_out=True, at=0, recorded=None, n=1):
    return Tick(
        id=UUID(int=n),
        item=item,
        count=count if laid_out else 0,
        laid_out=laid_out,
        happened_at=T0 + timedelta(minutes=at),
        recorded_at=T0 + timedelta(minutes=at if recorded is None else recorded),
        recorded_by=None,
    )


def test_an_offline_tick_that_comes_late_does_not_undo_what_happened_after_it():
    undone = tick(laid_out=False, at=5)
    late = tick(at=1, recorded=60, n=2)
    assert standing([undone, late])["gloves"] == undone
    assert standing([tick(laid_out=False, at=5), tick(at=6, n=2)])["gloves"].laid_out


def test_the_states_of_an_item():
    assert state_of(GLOVES, None) is ItemState.TO_DO
    assert state_of(GLOVES, tick(laid_out=False)) is ItemState.TO_DO
    assert state_of(GLOVES, tick()) is ItemState.LAID_OUT
    assert state_of(replace(GLOVES, count=3), tick()) is ItemState.MORE_NEEDED
    assert state_of(replace(GLOVES, is_struck=True), tick()) is ItemState.STRUCK_OUT
    later = replace(GLOVES, variant="latex_free", since=T0 + timedelta(minutes=1))
    assert state_of(later, tick()) is ItemState.LAY_OUT_AGAIN
    assert state_of(later, tick(at=1)) is ItemState.LAID_OUT


def test_complete_is_all_but_what_is_struck_out_and_an_empty_list_never_is():
    both = standing([tick(), tick(item="mirror", count=1, n=2)])
    assert is_complete([GLOVES, MIRROR], both)
    assert not is_complete([GLOVES, MIRROR], standing([tick()]))
    assert is_complete([GLOVES, replace(MIRROR, is_struck=True)], standing([tick()]))
    assert not is_complete([], both)


def test_what_is_not_wanted_any_more_is_put_back_until_that_is_ticked():
    laid = standing([tick(), tick(item="mirror", count=1, n=2)])
    assert [t.item for t in to_put_back([GLOVES], laid)] == ["mirror"]
    assert [t.item for t in to_put_back([GLOVES, replace(MIRROR, is_struck=True)], laid)] == ["mirror"]  # fmt: skip
    assert to_put_back([GLOVES, MIRROR], laid) == []
    gone = standing([tick(), tick(item="mirror", laid_out=False, n=2)])
    assert to_put_back([GLOVES], gone) == []


TICKS = st.lists(
    st.builds(
        tick,
        item=st.sampled_from(["gloves", "mirror"]),
        laid_out=st.booleans(),
        at=st.integers(0, 5),
        recorded=st.integers(5, 9),
        n=st.integers(1, 10_000),
    ),
    max_size=8,
    unique_by=lambda t: t.id,
)


@given(TICKS, st.randoms())
def test_in_whatever_order_ticks_arrive_the_same_stands(ticks, chance):
    expected = standing(ticks)
    shuffled = list(ticks)
    chance.shuffle(shuffled)
    assert standing(shuffled) == expected
    assert all(expected[t.item].happened_at >= t.happened_at for t in ticks)


@given(TICKS, TICKS)
def test_standing_can_be_kept_and_carried_on(earlier, later):
    later = [replace(t, id=UUID(int=t.id.int + 10_000)) for t in later]
    assert standing([*standing(earlier).values(), *later]) == standing([*earlier, *later])
