"""The fewest kits for a day's visits, against trying every way to hand them out and a general solver."""

from dataclasses import replace
from itertools import product

from hypothesis import assume, given
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from services.rules.availability.bits import Ruler
from services.rules.availability.returning import free_until_back, runs_of
from services.rules.kits import most_at_once, while_in_use
from spa_ops.kernel.intervals import Period
from tests.services.rules.availability_cases import DAY, at, span, spans, ways_back
from tests.services.rules.plain_availability import MINUTE, back_at, meets

some = st.lists(
    st.tuples(st.integers(0, 40), st.integers(1, 15)).map(lambda r: span(r[0], r[0] + r[1])),
    max_size=7,
)


def can_be_shared_out(spans, kits):
    """Whether each span can have a kit of its own: every way is tried."""
    return any(
        all(
            not (one == other and a.overlaps(b))
            for i, (one, a) in enumerate(zip(given_out, spans, strict=True))
            for other, b in list(zip(given_out, spans, strict=True))[:i]
        )
        for given_out in product(range(kits), repeat=len(spans))
    )


@given(some.filter(lambda spans: len(spans) <= 5))
def test_so_many_kits_do_and_one_less_never_does(spans):
    needed = most_at_once(spans)
    assert can_be_shared_out(spans, needed)
    assert needed == 0 or not can_be_shared_out(spans, needed - 1)


@given(some)
def test_a_general_solver_finds_the_same_number(spans):
    # OR-Tools CP-SAT: the least capacity under which all spans, each needing one, fit.
    model = cp_model.CpModel()
    capacity = model.new_int_var(0, len(spans), "kits")
    minute = [(int(s.start.timestamp() // 60), int(s.end.timestamp() // 60)) for s in spans]
    intervals = [
        model.new_fixed_size_interval_var(first, end - first, str(n))
        for n, (first, end) in enumerate(minute)
    ]
    model.add_cumulative(intervals, [1] * len(spans), capacity)
    model.minimize(capacity)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    assert solver.objective_value == most_at_once(spans)


@given(some, st.integers(1, 4))
def test_nothing_is_left_exactly_while_so_many_are_in_use(spans, kits):
    taken = while_in_use(spans, kits)
    for n in range(60):
        at = span(n, n + 1).start
        many = sum(meets((s,), at, at + MINUTE) for s in spans)
        assert meets(taken, at, at + MINUTE) == (many >= kits)


@given(
    way=ways_back(),
    kits=st.integers(1, 4),
    busy=spans(),
    zone=st.sampled_from(["UTC", "Pacific/Chatham"]),
)
def test_a_kit_may_go_back_from_just_the_minutes_of_which_that_is_true(way, kits, busy, zone):
    # Against a walk minute by minute into a bath whose others are counted one by one.
    assume(way.is_planned)
    way = replace(way, zone=zone)
    ruler = Ruler(origin=DAY, length=700)
    there = ruler.everything & ~ruler.touched(busy)
    found = free_until_back(there, way, kits, runs_of(way, kits, ruler), ruler)
    for minute in range(0, ruler.length, 3):
        end = at(minute)
        back = back_at(way, end, kits)
        assert way.of(end, kits).back_at == back
        fits = back <= at(ruler.length) and not meets(busy, end, back)
        assert bool(found >> minute & 1) == fits, (minute, back)


@given(
    way=ways_back(),
    kits=st.integers(1, 4),
    end=st.integers(0, 300),
    zone=st.sampled_from(["UTC", "Pacific/Chatham"]),
)
def test_an_instant_for_the_bath_is_taken_just_where_a_kit_could_go_in(way, kits, end, zone):
    # The first that is taken is where a kit that goes in as soon as it can does, and a later one is
    # where one would whose turnover ended just in time for it.
    way = replace(way, zone=zone)
    soonest = way.of(at(end), kits)
    for minute in range(end, end + 200):
        into = at(minute)
        just_in_time = way.of(into - (way.wait + way.wash) * MINUTE, kits)
        able = into >= at(end + way.wait + way.wash) and just_in_time.soaks_at == into
        assert way.at(into, at(end), kits) == (just_in_time if able else None)
    if soonest.soaks_at in way.batches(at(end)) or not way.set_times:
        assert way.at(soonest.soaks_at, at(end), kits) == soonest


@given(
    way=ways_back(), kits=st.integers(1, 3), first=st.integers(0, 300), later=st.integers(0, 300)
)
def test_whose_turnover_ends_earlier_is_not_back_later(way, kits, first, later):
    assert way.of(at(first), kits).back_at <= way.of(at(first + later), kits).back_at


@given(way=ways_back(), kits=st.integers(1, 3), end=st.integers(0, 300))
def test_nobody_is_put_into_a_full_bath(way, kits, end):
    back = way.of(at(end), kits)
    if way.capacity and way.contact and kits <= way.capacity:
        own = [Period(back.soaks_at, back.lifted_at)]
        others = [s for s in way.soaking if s.overlaps(own[0])]
        assert most_at_once(others) + kits <= way.capacity
