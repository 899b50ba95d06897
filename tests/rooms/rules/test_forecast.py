"""When a room is ready again: the median of its past, held to the work that must be done."""

from datetime import UTC, datetime, timedelta
from statistics import median

from hypothesis import given
from hypothesis import strategies as st

from rooms.rules.forecast import (
    SHORTEST_STEP_SECONDS,
    Left,
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


def test_what_is_wet_at_one_time_has_its_wet_time_at_once():
    # Common practice, no source: a basin stands filled while the table is wet.
    wet = [TurnoverStep(code=code, title=code, wet=True) for code in ("table", "basin")]
    rinse = TurnoverStep(code="rinse", title="rinse")
    together = TurnoverPlan(version="invented 2", steps=(*PLAN.steps[:2], *wet, rinse))
    apart = TurnoverPlan(version="invented 3", steps=(wet[0], rinse, wet[1]))
    assert shortest_seconds(together, 600) == 600 + 3 * SHORTEST_STEP_SECONDS
    assert shortest_seconds(together, None) == 5 * SHORTEST_STEP_SECONDS
    assert shortest_seconds(apart, 600) == 2 * 600 + SHORTEST_STEP_SECONDS


def test_a_faster_past_is_a_finding_and_no_forecast():
    pace = pace_of([120, 90, 900, 700], 630)
    assert (pace.expected_seconds, pace.counted, pace.too_fast) == (800, 2, 2)
    assert pace_of([120, 90], 630).expected_seconds == 630
    assert pace_of([], 630).expected_seconds == 630


def foretold(pace, *, begun=None, done=None, still_open=(), now=0):
    """In how many seconds it is ready: begun and the last step done so many seconds ago."""
    ago = lambda seconds: None if seconds is None else NOON - timedelta(seconds=seconds)
    left = None if done is None else Left(open_required=still_open, since=ago(done))
    found = ready_at(pace, plan=PLAN, wet_seconds=600, begun_at=ago(begun), left=left, now=NOON)
    return (found - NOON).total_seconds()


def test_what_is_not_begun_begins_now_at_best_and_what_is_done_is_ready_any_moment():
    pace = pace_of([800], 630)
    assert foretold(pace) == 800
    assert foretold(pace, begun=300, done=300, still_open=["out", "clean", "disinfect"]) == 615
    assert foretold(pace, begun=100, done=0, still_open=["disinfect"]) == 700
    assert foretold(pace, begun=3600, done=0) == 0


def test_a_slow_turnover_is_not_ready_before_its_open_steps_can_be_over():
    pace = pace_of([800], 630)
    every = ["out", "clean", "disinfect"]
    # An hour ago it was begun: by its past it would be ready now, but nothing was wet yet.
    assert foretold(pace, begun=3600, done=3600, still_open=every) == 15 + 600
    # The surfaces may be wet since the last step, nine minutes ago; nothing is done before it is reported.
    assert foretold(pace, begun=3600, done=540, still_open=["disinfect"]) == 60
    assert foretold(pace, begun=3600, done=700, still_open=["disinfect"]) == 0


@given(
    st.lists(st.integers(0, 5000), max_size=5), st.integers(0, 5000), st.integers(0, 5000),
    st.integers(0, 3),
)  # fmt: skip
def test_no_room_is_foretold_before_the_least_that_is_left(past, begun, done, steps):
    pace = pace_of(past, shortest_seconds(PLAN, 600))
    still_open = ["out", "clean", "disinfect"][3 - steps :]
    found = foretold(pace, begun=begun, done=min(done, begun), still_open=still_open)
    wet_since = 600 - min(done, begun)
    # Common sense, no source: what is still to be done takes its time, the wet time from the last step on.
    assert found >= (wet_since if still_open else 0)
    assert found >= 0
    assert found >= (600 if "clean" in still_open else 0)


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
