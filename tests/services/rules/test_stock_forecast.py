"""What follows from a forecast's amounts, and weeks whose answer is known; its spread has its own tests."""

from datetime import date, timedelta
from decimal import Decimal
from math import ceil

from hypothesis import given
from hypothesis import strategies as st

from services.rules.stock_forecast import (
    COVER_DAYS,
    HORIZON_DAYS,
    WEEKS,
    Booked,
    Demand,
    demand_within,
    factor_of,
    mean_error_percent,
    outlook,
    past_weeks,
    weeks_known,
)
from services.rules.stock_spread import Habits, Kept

TODAY = date(2026, 5, 6)
amounts = st.integers(0, 40).map(lambda n: Decimal(n) / 4)
habits = st.lists(
    st.builds(
        Kept,
        ahead=st.integers(0, 40),
        off=st.none() | st.integers(0, 40),
        lines=st.integers(1, 20),
    ),
    max_size=6,
).map(Habits)


@st.composite
def demands(draw):
    past = draw(st.integers(0, 7 * WEEKS + 20))
    used = {TODAY - timedelta(days=n): draw(amounts) for n in draw(st.sets(st.integers(0, past), max_size=30))}  # fmt: skip
    ahead = draw(st.sets(st.integers(0, 100), max_size=12))
    needed = {TODAY + timedelta(days=n): draw(amounts) for n in ahead}
    since = draw(st.sampled_from([None, TODAY - timedelta(days=past)]))
    return Demand(
        used=used,
        booked=Booked(needed=needed, habits=draw(habits)),
        since=since,
        factor=draw(st.sampled_from([Decimal(1), Decimal("1.25")])),
    )


@given(demands(), st.integers(-5, 600), st.integers(0, 40), st.sampled_from([1, 6, 100]))
def test_dates_and_orders_follow_from_what_goes_by_each_day(demand, stock, lead, pack):
    """An early day is the first by whose end more may be gone than there is, and so on for each."""
    days = max(HORIZON_DAYS, lead + COVER_DAYS)
    found = outlook(demand, Decimal(stock), today=TODAY, pack_size=Decimal(pack), lead_days=lead)
    spread = found.runs_out
    assert found.horizon == TODAY + timedelta(days=days - 1)
    assert (spread.early or date.max) <= (spread.likely or date.max) <= (spread.late or date.max)
    if stock >= 0 and weeks_known(demand, TODAY):
        for day, part in ((spread.early, "high"), (spread.late, "low")):
            ahead = days if day is None else (day - TODAY).days
            for until, is_out in ((ahead, False), (ahead + 1, day is not None)):
                if until == 0 or (until > days and not is_out):
                    continue
                said = demand_within(demand, TODAY, until)
                # Said amounts are rounded outwards, by at most a tenth of their spread.
                slack = (said.high - said.low) / 10 + Decimal("0.001")
                over = getattr(said, part) - stock
                assert over > -slack if is_out else over <= slack
    if spread.early is None:
        assert (found.order_by, found.packs) == (None, 0)
        return
    assert found.order_by == spread.early - timedelta(days=lead)
    last = max((spread.early - TODAY).days, lead) + COVER_DAYS
    high = demand_within(demand, TODAY, last).high
    if high is not None:
        assert found.packs <= max(ceil((high - stock) / pack), 0)


@given(demands(), st.integers(1, 30))
def test_a_likely_amount_is_between_low_and_high(demand, days):
    found = demand_within(demand, TODAY, days)
    assert 0 <= found.low <= found.likely
    assert (found.high is None) == (weeks_known(demand, TODAY) == 0)
    assert found.high is None or found.likely <= found.high


def test_booked_and_not_booked_add_up_to_what_is_likely():
    # Half of ten a day is booked by the evening before, nine of ten of it is done.
    used = {TODAY - timedelta(days=n): Decimal(10) for n in range(1, 29)}
    kept = [
        Kept(ahead=3, off=None, lines=90),
        Kept(ahead=3, off=0, lines=10),
        Kept(ahead=0, off=None, lines=90),
    ]
    booked = Booked(needed={TODAY: Decimal(20)}, habits=Habits(kept))
    demand = Demand(used=used, booked=booked, since=TODAY - timedelta(days=28))
    # Today: 18 of the 20 that are booked, and 5 that come in. Tomorrow: nothing is booked, so 5.
    assert round(demand_within(demand, TODAY, 1).likely) == 23
    assert round(demand_within(demand, TODAY, 2).likely) == 28
    # From the third day on nobody is ever booked so long ahead: 10.
    assert round(demand_within(demand, TODAY, 4).likely) == 43


@given(demands(), st.integers(0, 400), st.integers(1, 100))
def test_more_stock_never_runs_out_sooner(demand, stock, more):
    said = {"today": TODAY, "pack_size": Decimal(1), "lead_days": 7}
    less = outlook(demand, Decimal(stock), **said).runs_out
    full = outlook(demand, Decimal(stock + more), **said).runs_out
    for before, after in ((less.early, full.early), (less.likely, full.likely), (less.late, full.late)):  # fmt: skip
        assert (before or date.max) <= (after or date.max)


@given(demands())
def test_past_weeks_know_nothing_of_what_came_after(demand):
    weeks = past_weeks(demand, {}, today=TODAY, weeks=6)
    for week in weeks:
        known = Demand(
            used={d: n for d, n in demand.used.items() if d < week.begins}, since=demand.since
        )
        assert week.expected == demand_within(known, week.begins, 7)
        assert week.actual == sum(demand.used.get(week.begins + timedelta(days=n), Decimal(0)) for n in range(7))  # fmt: skip
    assert [w.begins for w in weeks] == sorted(w.begins for w in weeks)


def test_weeks_that_are_all_alike_are_forecast_without_error():
    used = {TODAY - timedelta(days=n): Decimal(5) for n in range(1, 120)}
    demand = Demand(used=used, since=TODAY - timedelta(days=119))
    weeks = past_weeks(demand, {}, today=TODAY, weeks=8)
    assert (len(weeks), mean_error_percent(weeks), all(w.within for w in weeks)) == (8, 0, True)
    assert mean_error_percent([]) is None


def test_the_error_is_the_mean_absolute_one_of_what_was_used():
    # Ten in each of seven weeks and twenty in the last: ten was likely, ten of twenty is half.
    begins = TODAY - timedelta(days=7)
    used = {begins - timedelta(days=7 * n): Decimal(10) for n in range(1, 8)} | {
        begins: Decimal(20)
    }
    demand = Demand(used=used, since=begins - timedelta(days=49))
    (week,) = past_weeks(demand, {}, today=TODAY, weeks=1)
    # Single uses of ten a week: weeks might well differ by one of them.
    assert (week.expected.likely, week.actual, week.within) == (10, 20, True)
    assert mean_error_percent([week]) == 50


def test_what_counts_found_gone_is_expected_again_within_bounds():
    assert factor_of(Decimal(100), Decimal(25)) == Decimal("1.25")
    assert factor_of(Decimal(100), Decimal(-10)) == Decimal("0.9")
    assert factor_of(Decimal(100), Decimal(500)) == 2
    assert factor_of(Decimal(100), Decimal(-90)) == Decimal("0.5")
    assert factor_of(Decimal(0), Decimal(5)) == 1
