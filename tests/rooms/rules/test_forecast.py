"""When a room is ready again: the median of its past, held to the work that must be done."""

from datetime import UTC, datetime, timedelta
from statistics import median

from hypothesis import given
from hypothesis import strategies as st

from rooms.rules.forecast import (
    SHORTEST_STEP_SECONDS,
    pace_after,
    pace_of,
    ready_at,
    shortest_seconds,
)
from rooms.rules.turnover import TurnoverPlan, TurnoverStep

NOON = datetime(2026, 5, 6, 17, tzinfo=UTC)
PLAN = TurnoverPlan(
    version="invented 1",
    steps=(
        TurnoverStep(code="out", title="out"),
        TurnoverStep(code="clean", title="clean"),
        TurnoverStep(code="disinfect", title="disinfect", wet=True),
        TurnoverStep(code="plant", title="water the plant", required=False),
    ),
)


def test_the_wet_time_and_the_other_required_steps_are_the_least():
    assert shortest_seconds(PLAN, 600) == 600 + 2 * SHORTEST_STEP_SECONDS
    assert shortest_seconds(PLAN, None) == 3 * SHORTEST_STEP_SECONDS


def test_a_faster_past_is_a_finding_and_no_forecast():
    pace = pace_of([120, 90, 900, 700], 630)
    assert (pace.expected_seconds, pace.counted, pace.too_fast) == (800, 2, 2)
    assert pace_of([120, 90], 630).expected_seconds == 630
    assert pace_of([], 630).expected_seconds == 630


def test_what_is_not_begun_begins_now_at_best_and_what_should_be_over_is_over_any_moment():
    pace = pace_of([800], 630)
    assert ready_at(pace, begun_at=None, now=NOON) == NOON + timedelta(seconds=800)
    begun = NOON - timedelta(seconds=300)
    assert ready_at(pace, begun_at=begun, now=NOON) == NOON + timedelta(seconds=500)
    assert ready_at(pace, begun_at=NOON - timedelta(hours=1), now=NOON) == NOON


@given(st.lists(st.integers(0, 5000), max_size=20), st.integers(1, 2000))
def test_no_forecast_is_below_the_work(past, shortest):
    pace = pace_of(past, shortest)
    assert pace.expected_seconds >= shortest
    assert pace.counted + pace.too_fast == len(past)
    slow = [p for p in past if p >= shortest]
    if slow:
        assert pace.expected_seconds == round(median(slow))


def test_a_past_turnover_is_held_to_the_wet_time_of_its_own_product():
    short, long = shortest_seconds(PLAN, 60), shortest_seconds(PLAN, 600)
    past = [(short, 60), (short - 1, 60), (long, 600), (long - 1, 600)]
    found = pace_after(past, PLAN, 600)
    # Two were faster than their own product allows; that with the quicker product is no finding.
    assert (found.too_fast, found.counted, found.expected_seconds) == (2, 1, long)
    # Nothing is to be turned over: no product is in use, and the finding stands.
    assert pace_after(past, PLAN, None).too_fast == 2
    assert pace_after([], PLAN, None).expected_seconds == shortest_seconds(PLAN, None)
