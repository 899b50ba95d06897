"""The mechanism of due checks: against a plain replay, over random days."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.rules.due_checks import (
    OpenCheck,
    Outcome,
    Pace,
    Standing,
    Thresholds,
    check_changes,
    settled,
)
from spa_ops.kernel.escalation import level_at

START = datetime(2026, 5, 6, 17, 0, tzinfo=UTC)
AFTER = (timedelta(minutes=15), timedelta(minutes=60))


@pytest.mark.parametrize(
    ("minutes", "level"),
    [(-1, 0), (0, 1), (14.99, 1), (15, 2), (59.99, 2), (60, 3), (10_000, 3)],
)
def test_levels_begin_at_the_instant(minutes, level):
    assert level_at(START, AFTER, START + timedelta(minutes=minutes)) == level


def test_thresholds_are_counted_by_pace():
    both = Thresholds(minutes=(15, 60), days=(3, 14))
    assert both.of(Pace.MINUTES) == AFTER
    assert both.of(Pace.DAYS) == (timedelta(days=3), timedelta(days=14))


def test_a_warning_after_the_due_time_does_not_put_it_off():
    one = Standing(subject_id=UUID(int=1), due_at=START, warn_at=START + timedelta(hours=1))
    assert one.raise_at == START


things = st.builds(
    lambda n, due, warn: Standing(
        subject_id=UUID(int=n),
        due_at=START + timedelta(minutes=due),
        warn_at=None if warn is None else START + timedelta(minutes=due - warn),
    ),
    st.integers(1, 4),
    st.integers(-120, 120),
    st.none() | st.integers(0, 60),
)


@given(
    st.lists(
        st.tuples(st.integers(-30, 40), st.lists(things, max_size=5, unique_by=lambda s: s.key)),
        max_size=12,
    )
)
def test_what_is_open_is_what_a_plain_replay_says(steps):
    """Steps of a clock that may go back; at each, what stands. Twice in a row changes nothing."""
    now, kept, plain = START, {}, {}
    for minutes, standing in steps:
        now += timedelta(minutes=minutes)
        for again in (False, True):
            changes = check_changes(standing, kept.values(), after=AFTER, now=now)
            if again:
                assert not (changes.to_raise or changes.to_escalate or changes.to_clear)
            for one, level in changes.to_raise.items():
                assert one.key not in kept
                kept[one.key] = OpenCheck(subject_id=one.subject_id, due_at=one.due_at, level=level)
            for one, level in changes.to_escalate.items():
                assert level > one.level
                kept[one.key] = OpenCheck(subject_id=one.subject_id, due_at=one.due_at, level=level)
            for one in changes.to_clear:
                del kept[one.key]
        keys = {one.key for one in standing}
        plain = {key: level for key, level in plain.items() if key in keys}
        for one in standing:
            if one.key in plain or one.raise_at <= now:
                age = (now - one.due_at) / timedelta(minutes=1)
                level = (age >= 0) + (age >= 15) + (age >= 60)
                plain[one.key] = max(plain.get(one.key, 0), level)
    assert {key: one.level for key, one in kept.items()} == plain


@given(st.integers(-100, 100), st.none() | st.integers(-100, 100), st.booleans())
def test_how_a_check_ended(now_minutes, done_minutes, is_known):
    check = OpenCheck(subject_id=UUID(int=1), due_at=START, level=1)
    now = START + timedelta(minutes=now_minutes)
    done_at = None if done_minutes is None else START + timedelta(minutes=done_minutes)
    end = settled(check, done_at, is_known=is_known, now=now)
    assert end.late == (end.at > START)
    assert end.at == (done_at or now)
    assert (end.outcome is Outcome.GONE) == (is_known and done_at is None)
