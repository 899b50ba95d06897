"""What may be used first, until when, and what a count makes of the parts: against plain arithmetic."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from rooms.rules.stock import (
    Held,
    Stood,
    UseAgainstRecipe,
    discard_by,
    first_out,
    lot_to_open,
    may_be_used,
    missing,
    plain,
    settled,
    standing,
    touched_by,
)

DAY = date(2026, 5, 6)
IDS = [UUID(int=n) for n in range(1, 6)]
days = st.dates(date(2026, 1, 1), date(2027, 12, 31))
amounts = st.decimals(-50, 200, places=3)


@pytest.mark.parametrize(
    ("opened", "months", "expected"),
    [
        # Calendar months as dateutil adds them: the last day of a shorter month.
        (date(2026, 8, 31), 6, date(2027, 2, 28)),
        (date(2027, 8, 31), 6, date(2028, 2, 29)),
        (date(2028, 2, 29), 12, date(2029, 2, 28)),
        (date(2026, 1, 15), 1, date(2026, 2, 15)),
        (date(2026, 10, 31), 4, date(2027, 2, 28)),
    ],
)
def test_months_after_opening_are_those_of_the_calendar(opened, months, expected):
    assert discard_by(opened, expires_on=None, months=months, days=None) == expected
    assert opened + relativedelta(months=months) == expected


@given(days, st.none() | days, st.none() | st.integers(1, 36), st.none() | st.integers(1, 400))
def test_the_earlier_of_expiry_and_period_after_opening_ends_it(opened, expires, months, after):
    ends = discard_by(opened, expires_on=expires, months=months, days=after)
    said = [d for d in (expires, months and opened + relativedelta(months=months), after and opened + timedelta(days=after)) if d]  # fmt: skip
    assert ends == (min(said) if said else None)
    if ends:
        assert may_be_used(ends, withdrawn=False, on=ends)
        assert not may_be_used(ends, withdrawn=False, on=ends + timedelta(days=1))
        assert not may_be_used(ends, withdrawn=True, on=ends)


@st.composite
def holdings(draw):
    """Parts of an item as they are held: each lot and container once, dates of a container not after its lot's."""
    found = {}
    for lot in draw(st.lists(st.sampled_from([None, *IDS]), unique=True)):
        expires = draw(st.none() | days) if lot else None
        withdrawn = draw(st.booleans()) if lot else False
        found[lot, None] = Held(quantity=draw(amounts), lot_id=lot, use_by=expires, withdrawn=withdrawn)  # fmt: skip
        for n in range(draw(st.integers(0, 2))):
            jar = UUID(int=100 + 10 * (lot.int if lot else 0) + n)
            until = min(filter(None, [expires, draw(st.none() | days)]), default=None)
            found[lot, jar] = Held(
                quantity=draw(amounts), lot_id=lot, container_id=jar, use_by=until,
                withdrawn=withdrawn, closed=draw(st.booleans()),
            )  # fmt: skip
    return list(found.values())


@given(holdings(), days)
def test_what_is_opened_is_in_stock_fit_and_first_to_expire(held, on):
    chosen = lot_to_open(held, on)
    fit = [h for h in held if h.lot_id and not h.container_id and h.quantity > 0 and not h.withdrawn and (h.use_by is None or h.use_by >= on)]  # fmt: skip
    if chosen is None:
        assert fit == []
    else:
        dates = {h.lot_id: h.use_by or date.max for h in fit}
        assert dates[chosen] == min(dates.values())


@given(holdings(), days)
def test_the_standing_is_the_sum_of_its_parts(held, on):
    found = standing(held, on)
    assert found.total == sum(h.quantity for h in held)
    unfit = sum(h.quantity for h in held if h.withdrawn or (h.use_by and h.use_by < on))
    assert found.total - found.usable == unfit
    assert found.in_open == sum(h.quantity for h in held if h.container_id)


@given(holdings(), st.decimals(0, 500, places=3))
def test_a_count_brings_the_sum_to_what_was_counted_and_takes_from_what_was_due_first(
    held, counted
):
    changes = {(c.lot_id, c.container_id): c.quantity for c in settled(held, counted)}
    before = {(h.lot_id, h.container_id): h.quantity for h in held}
    after = {key: before.get(key, 0) + changes.get(key, 0) for key in before | changes}
    assert sum(after.values()) == counted
    assert all(amount >= 0 for amount in after.values())
    assert 0 not in changes.values()
    ordered = [h for h in first_out(held) if (h.lot_id, h.container_id) != (None, None)]
    lots = {h.lot_id for h in held}
    over = (lots.pop() if len(lots) == 1 else None, None)
    for h in ordered:
        now = after[h.lot_id, h.container_id]
        if h.closed:
            assert now == 0
        if (h.lot_id, h.container_id) != over:
            # Nothing of a known lot becomes more than the books have, unless they have less than nothing.
            assert now <= max(h.quantity, 0)
    # Once something is left, everything that is due later is left whole.
    short = [h for h in ordered if not h.closed and after[h.lot_id, h.container_id] > 0]
    if short and (short[0].lot_id, short[0].container_id) != over:
        later = ordered[ordered.index(short[0]) + 1 :]
        assert all(
            after[h.lot_id, h.container_id] >= max(h.quantity, 0) for h in later if not h.closed
        )


@given(st.integers(1, 60), st.decimals(0, 20, places=3), st.decimals(-50, 500, places=3))
def test_what_is_missing_is_what_cannot_be_taken_one_after_the_other(count, uses_each, available):
    left, short = available, 0
    for _ in range(count):
        if uses_each == 0:
            short += available <= 0
        elif left >= uses_each:
            left -= uses_each
        else:
            short += 1
    assert missing(count, uses_each, available) == short


@pytest.mark.parametrize(
    ("recipe", "actual", "difference", "percent"),
    [("80", "90", "10", "12.5"), ("80", "60", "-20", "-25.0"), ("0", "5", "5", None), ("3", "4", "1", "33.3")],
)  # fmt: skip
def test_use_against_recipe(recipe, actual, difference, percent):
    found = UseAgainstRecipe(recipe=Decimal(recipe), actual=Decimal(actual))
    assert found.difference == Decimal(difference)
    assert found.percent == (percent and Decimal(percent))


NOON = datetime(2026, 5, 6, 12, tzinfo=UTC)
minutes = st.integers(-60, 60).map(lambda m: NOON + timedelta(minutes=m))


@st.composite
def stays(draw):
    from_at = draw(minutes)
    until_at = draw(st.none() | minutes.filter(lambda at: at > from_at))
    return Stood(
        container_id=draw(st.uuids()), item_id=IDS[0], lot_id=draw(st.sampled_from(IDS)),
        room_id=draw(st.sampled_from([None, IDS[0], IDS[1]])), from_at=from_at, until_at=until_at,
        use_by=draw(st.none() | st.dates(DAY - timedelta(days=2), DAY + timedelta(days=2))),
        withdrawn_at=draw(st.none() | minutes), is_closed=until_at is not None and draw(st.booleans()),
    )  # fmt: skip


@given(st.lists(stays(), max_size=6), st.integers(0, 60))
def test_work_uses_what_stood_there_when_it_ended_and_what_ran_out_meanwhile(stood, length):
    began, room = NOON - timedelta(minutes=length), IDS[0]
    found = touched_by(stood, room_id=room, began_at=began, ended_at=NOON, on=DAY)
    for one in found:
        assert one.room_id in {room, None}
        assert one.use_by is None or one.use_by >= DAY
        assert one.withdrawn_at is None or one.withdrawn_at > NOON
        assert one.from_at <= NOON

    def fits(one):
        return one.room_id in {room, None} and (one.use_by is None or one.use_by >= DAY) and not (one.withdrawn_at and one.withdrawn_at <= NOON)  # fmt: skip

    there = [o for o in stood if fits(o) and o.from_at <= NOON and (o.until_at is None or o.until_at > NOON)]  # fmt: skip
    if there:
        own = [o for o in there if o.room_id == room] or there
        assert (found[0].use_by or date.max) == min(o.use_by or date.max for o in own)
        assert found[0] in own
    ran_out = [o for o in stood if fits(o) and o.is_closed and o.until_at and began < o.until_at <= NOON]  # fmt: skip
    assert set(found) >= set(ran_out)
    assert len(found) == len(ran_out) + bool(there)


@pytest.mark.parametrize(
    ("amount", "text"), [("100", "100"), ("0.500", "0.5"), ("0", "0"), ("-0.000", "0"), ("1E+2", "100"), ("-3.250", "-3.25")]
)  # fmt: skip
def test_amounts_as_text(amount, text):
    assert plain(Decimal(amount)) == text
