"""The fewest kits for a day's visits, against trying every way to hand them out and a general solver."""

from itertools import product

from hypothesis import given
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from services.rules.kits import most_at_once, while_in_use
from tests.services.rules.availability_cases import span
from tests.services.rules.plain_availability import MINUTE, meets

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
