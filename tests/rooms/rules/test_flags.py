"""Flags on rooms: due to the second, raised once, cleared by themselves. House policy numbers."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.rules.flags import (
    Flag,
    FlagKind,
    FlagPolicy,
    RoomTimes,
    coming_flags,
    due_flags,
    flag_changes,
    flag_level,
)
from rooms.rules.turnover import RoomState

NOON = datetime(2026, 3, 2, 18, tzinfo=UTC)
HOUSE = FlagPolicy()
LEFT = RoomTimes(state=RoomState.NEEDS_TURNOVER, left_at=NOON)
R, K = RoomState, FlagKind


def at(seconds):
    return NOON + timedelta(seconds=seconds)


def kinds(room, seconds, policy=HOUSE):
    return [flag.kind for flag in due_flags(room, policy, now=at(seconds))]


def test_turnover_not_begun_ten_minutes_after_the_client_left():
    assert kinds(LEFT, 599) == []
    assert kinds(LEFT, 600) == [K.TURNOVER_NOT_BEGUN]
    assert kinds(LEFT, 300, FlagPolicy(begin_within_minutes=5)) == [K.TURNOVER_NOT_BEGUN]


@pytest.mark.parametrize("state", [s for s in R if s is not R.NEEDS_TURNOVER])
def test_begun_or_not_needed_is_not_late(state):
    assert kinds(replace(LEFT, state=state), 6000) == []


def test_a_room_that_only_lapsed_was_left_by_nobody():
    assert kinds(RoomTimes(state=R.NEEDS_TURNOVER, lapsed_at=NOON), 6000) == []


@pytest.mark.parametrize(("state", "late"), [(state, state is not R.READY) for state in R])
def test_not_ready_five_minutes_before_the_next_set_up(state, late):
    room = RoomTimes(state=state, next_set_up_at=at(1000))
    assert kinds(room, 699) == []
    assert kinds(room, 700) == ([K.NOT_READY_BEFORE_SET_UP] if late else [])
    assert kinds(room, 5000) == ([K.NOT_READY_BEFORE_SET_UP] if late else [])


@pytest.mark.parametrize(
    ("state", "late"),
    [
        (R.READY, False),
        (R.OUT_OF_USE, False),
        (R.IN_SERVICE, True),
        (R.NEEDS_TURNOVER, True),
        (R.TURNING_OVER, True),
    ],
)
def test_not_ready_at_closing(state, late):
    room = RoomTimes(state=state, closing_at=NOON)
    assert kinds(room, -1) == []
    assert kinds(room, 0) == ([K.NOT_READY_AT_CLOSING] if late else [])


def test_a_room_that_was_ready_when_the_day_ended_is_not_flagged_for_lapsing():
    room = RoomTimes(state=R.NEEDS_TURNOVER, closing_at=NOON, lapsed_at=NOON)
    assert kinds(room, 3600) == []
    # but it is on the evening after, if nobody touched it all day
    assert kinds(replace(room, closing_at=at(86_400)), 86_400) == [K.NOT_READY_AT_CLOSING]


def test_what_comes_next_is_known_before_it_is_due():
    room = replace(LEFT, next_set_up_at=at(1000), closing_at=at(7200))
    assert [(flag.kind, flag.due_at) for flag in coming_flags(room, HOUSE)] == [
        (K.TURNOVER_NOT_BEGUN, at(600)),
        (K.NOT_READY_BEFORE_SET_UP, at(700)),
        (K.NOT_READY_AT_CLOSING, at(7200)),
    ]


def test_beginning_clears_one_flag_and_ready_clears_the_rest():
    room = replace(LEFT, next_set_up_at=at(1000), closing_at=at(2000))
    raised = flag_changes(room, HOUSE, [], now=at(3000)).to_raise
    assert len(raised) == 3
    begun = flag_changes(replace(room, state=R.TURNING_OVER), HOUSE, raised, now=at(3001))
    assert [flag.kind for flag in begun.to_clear] == [K.TURNOVER_NOT_BEGUN]
    ready = flag_changes(replace(room, state=R.READY), HOUSE, raised, now=at(3001))
    assert ready.to_clear == raised
    assert ready.to_raise == ()


def test_a_moved_visit_clears_its_flag_and_may_earn_another():
    room = RoomTimes(state=R.TURNING_OVER, next_set_up_at=at(1000))
    raised = flag_changes(room, HOUSE, [], now=at(800)).to_raise
    later = flag_changes(replace(room, next_set_up_at=at(9000)), HOUSE, raised, now=at(800))
    assert (later.to_clear, later.to_raise) == (raised, ())
    cancelled = flag_changes(replace(room, next_set_up_at=None), HOUSE, raised, now=at(800))
    assert cancelled.to_clear == raised


def test_a_missed_closing_stays_open_into_the_next_day():
    room = RoomTimes(state=R.NEEDS_TURNOVER, closing_at=NOON)
    raised = flag_changes(room, HOUSE, [], now=at(1)).to_raise
    morning = replace(room, closing_at=at(86_400))
    assert flag_changes(morning, HOUSE, raised, now=at(50_000)).to_clear == ()
    out = replace(morning, state=R.OUT_OF_USE)
    assert flag_changes(out, HOUSE, raised, now=at(50_000)).to_clear == raised


def test_the_next_client_leaving_is_a_new_flag():
    raised = flag_changes(LEFT, HOUSE, [], now=at(600)).to_raise
    again = replace(LEFT, left_at=at(5000))
    changes = flag_changes(again, HOUSE, raised, now=at(5600))
    assert changes.to_clear == raised
    assert [flag.about for flag in changes.to_raise] == [at(5000)]


@pytest.mark.parametrize("minutes", [(-1, 5), (10, -1)])
def test_negative_thresholds_are_refused(minutes):
    with pytest.raises(ValueError):
        FlagPolicy(begin_within_minutes=minutes[0], ready_before_set_up_minutes=minutes[1])


def test_a_threshold_of_escalation_is_not_negative():
    with pytest.raises(ValueError):
        FlagPolicy(escalate_after_minutes=(-1, 5))


@pytest.mark.parametrize(
    ("seconds", "level"), [(0, 1), (899, 1), (900, 2), (3599, 2), (3600, 3), (90_000, 3)]
)
def test_a_flag_gets_louder_at_the_thresholds(seconds, level):
    flag = Flag(kind=K.TURNOVER_NOT_BEGUN, about=NOON, due_at=NOON)
    assert flag_level(flag, HOUSE, now=at(seconds)) == level


def test_a_raised_flag_is_never_below_one_also_with_the_clock_set_back():
    flag = Flag(kind=K.TURNOVER_NOT_BEGUN, about=NOON, due_at=NOON)
    assert flag_level(flag, HOUSE, now=at(-3600)) == 1


instants = st.one_of(st.none(), st.integers(-9000, 9000).map(at))
rooms = st.builds(
    RoomTimes,
    state=st.sampled_from(R),
    left_at=instants,
    next_set_up_at=instants,
    closing_at=instants,
    lapsed_at=instants,
)
policies = st.builds(FlagPolicy, begin_within_minutes=st.integers(0, 60))


@given(rooms, policies, st.integers(-9000, 9000), st.integers(0, 600))
def test_a_sweep_run_twice_changes_nothing_the_second_time(room, policy, now, later):
    first = flag_changes(room, policy, [], now=at(now))
    again = flag_changes(room, policy, first.to_raise, now=at(now))
    assert (again.to_raise, again.to_clear) == ((), ())
    # waiting only adds
    after = flag_changes(room, policy, first.to_raise, now=at(now + later))
    assert after.to_clear == ()
    assert not {(f.kind, f.about) for f in after.to_raise} & {
        (f.kind, f.about) for f in first.to_raise
    }


@given(rooms, policies, st.integers(-9000, 9000))
def test_a_ready_room_has_no_flags_and_clears_all(room, policy, now):
    raised = flag_changes(room, policy, [], now=at(now)).to_raise
    changes = flag_changes(replace(room, state=R.READY), policy, raised, now=at(now))
    assert (changes.to_raise, changes.to_clear) == ((), raised)


@given(rooms, policies)
def test_each_flag_is_due_exactly_from_its_due_time(room, policy):
    for flag in coming_flags(room, policy):
        assert flag in due_flags(room, policy, now=flag.due_at)
        assert flag not in due_flags(room, policy, now=flag.due_at - timedelta(microseconds=1))
