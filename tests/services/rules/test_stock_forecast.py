"""The forecast against a plain simulation that walks day by day, and on weeks whose answer is known."""

from datetime import date, timedelta
from decimal import Decimal
from math import ceil

from hypothesis import given
from hypothesis import strategies as st

from services.rules.stock_forecast import (
    COVER_DAYS,
    HORIZON_DAYS,
    WEEKS,
    Demand,
    demand_within,
    factor_of,
    mean_error_percent,
    outlook,
    past_weeks,
    weeks_known,
)

TODAY = date(2026, 5, 6)
amounts = st.integers(0, 40).map(lambda n: Decimal(n) / 4)


@st.composite
def demands(draw):
    past = draw(st.integers(0, 7 * WEEKS + 20))
    used = {TODAY - timedelta(days=n): draw(amounts) for n in draw(st.sets(st.integers(0, past), max_size=30))}  # fmt: skip
    ahead = draw(st.sets(st.integers(0, 100), max_size=12))
    booked = {TODAY + timedelta(days=n): draw(amounts) for n in ahead}
    since = draw(st.sampled_from([None, TODAY - timedelta(days=past)]))
    return Demand(used=used, booked=booked, since=since, factor=draw(st.sampled_from([Decimal(1), Decimal("1.25")])))  # fmt: skip


def plain_way(demand, first, days):
    """What each coming day takes if the weeks go as past ones did, beginning with the `first`-th before this."""
    weeks = weeks_known(demand, TODAY)
    for ahead in range(days):
        day, past = TODAY + timedelta(days=ahead), Decimal(0)
        if weeks:
            model = day
            # Back by whole weeks, to the same weekday of the week that stands for this one.
            week = (first + ahead // 7) % weeks
            while model >= TODAY - timedelta(days=7 * week):
                model -= timedelta(days=7)
            assert model.weekday() == day.weekday()
            assert TODAY - timedelta(days=7 * weeks) <= model < TODAY
            past = demand.used.get(model, Decimal(0))
        if ahead == 0:
            past -= demand.used.get(TODAY, Decimal(0))
        yield max(demand.booked.get(day, Decimal(0)), past, Decimal(0)) * demand.factor


def plain_run_out(demand, first, stock, days):
    for ahead, takes in enumerate(plain_way(demand, first, days)):
        stock -= takes
        if stock < 0:
            return TODAY + timedelta(days=ahead)
    return None


def nearest_rank(values, share):
    """The definition: the least value with at least that share of all values not above it."""
    return next(v for v in sorted(values) if sum(x <= v for x in values) >= share * len(values))


@given(demands(), st.integers(-5, 600), st.integers(0, 40), st.sampled_from([1, 6, 100]))
def test_run_outs_and_orders_are_those_of_a_plain_simulation(demand, stock, lead, pack):
    days = max(HORIZON_DAYS, lead + COVER_DAYS)
    ways = range(max(weeks_known(demand, TODAY), 1))
    ends = [plain_run_out(demand, first, Decimal(stock), days) or date.max for first in ways]
    if stock < 0:
        ends = [TODAY for _ in ways]
    found = outlook(demand, Decimal(stock), today=TODAY, pack_size=Decimal(pack), lead_days=lead)
    spread = found.runs_out
    for day, share in ((spread.early, Decimal("0.1")), (spread.likely, Decimal("0.5")), (spread.late, Decimal("0.9"))):  # fmt: skip
        assert (day or date.max) == nearest_rank(ends, share)
    assert found.horizon == TODAY + timedelta(days=days - 1)
    if spread.early is None:
        assert (found.order_by, found.packs) == (None, 0)
        return
    assert found.order_by == spread.early - timedelta(days=lead)
    last = max((spread.early - TODAY).days, lead) + COVER_DAYS
    totals = [sum(plain_way(demand, first, last)) for first in ways]
    needed = nearest_rank(totals, Decimal("0.9")) - stock
    assert found.packs == max(ceil(needed / pack), 0)


@given(demands(), st.integers(1, 30))
def test_what_a_span_takes_is_that_of_a_plain_simulation(demand, days):
    ways = range(max(weeks_known(demand, TODAY), 1))
    totals = [sum(plain_way(demand, first, days)) for first in ways]
    found = demand_within(demand, TODAY, days)
    assert found.low == nearest_rank(totals, Decimal("0.1"))
    assert found.likely == nearest_rank(totals, Decimal("0.5"))
    assert found.high == nearest_rank(totals, Decimal("0.9"))


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
            used={d: n for d, n in demand.used.items() if d < week.begins}, booked={}, since=demand.since
        )  # fmt: skip
        assert week.expected == demand_within(known, week.begins, 7)
        assert week.actual == sum(demand.used.get(week.begins + timedelta(days=n), Decimal(0)) for n in range(7))  # fmt: skip
    assert [w.begins for w in weeks] == sorted(w.begins for w in weeks)


def test_weeks_that_are_all_alike_are_forecast_without_error():
    used = {TODAY - timedelta(days=n): Decimal(5) for n in range(1, 120)}
    demand = Demand(used=used, booked={}, since=TODAY - timedelta(days=119))
    weeks = past_weeks(demand, {}, today=TODAY, weeks=8)
    assert (len(weeks), mean_error_percent(weeks), all(w.within for w in weeks)) == (8, 0, True)
    assert mean_error_percent([]) is None


def test_the_error_is_the_mean_absolute_one_of_what_was_used():
    # Ten in each of seven weeks and twenty in the last: ten was likely, ten of twenty is half.
    begins = TODAY - timedelta(days=7)
    used = {begins - timedelta(days=7 * n): Decimal(10) for n in range(1, 8)} | {
        begins: Decimal(20)
    }
    demand = Demand(used=used, booked={}, since=begins - timedelta(days=49))
    (week,) = past_weeks(demand, {}, today=TODAY, weeks=1)
    assert (week.expected.likely, week.actual, week.within) == (10, 20, False)
    assert mean_error_percent([week]) == 50


def test_what_counts_found_gone_is_expected_again_within_bounds():
    assert factor_of(Decimal(100), Decimal(25)) == Decimal("1.25")
    assert factor_of(Decimal(100), Decimal(-10)) == Decimal("0.9")
    assert factor_of(Decimal(100), Decimal(500)) == 2
    assert factor_of(Decimal(100), Decimal(-90)) == Decimal("0.5")
    assert factor_of(Decimal(0), Decimal(5)) == 1
