"""Passes over the same skin, when a record may be confirmed, and applicators of a draft."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.rules.work_record import (
    WHAT_TO_DO,
    Passes,
    RecordFlaw,
    applicators_of,
    flaw_of_time,
    sections_passed_too_often,
)
from services.set_up_files import shipped_set_up

NOW = datetime(2026, 5, 6, 17, tzinfo=UTC)
#: Common practice, no source: soft wax once, hard wax at most twice over the same skin.
MOST = {"soft_wax": 1, "hard_wax": 2}


def passes(**counts):
    return [Passes(section=name, passes=count) for name, count in counts.items()]


def test_the_file_has_the_trades_numbers():
    assert {m: shipped_set_up().applications[m] for m in MOST} == MOST


@pytest.mark.parametrize(
    ("method", "counts", "often"),
    [
        ("soft_wax", {"left": 1, "right": 1}, ()),
        ("soft_wax", {"left": 2, "right": 1}, ("left",)),
        ("hard_wax", {"left": 2, "right": 2}, ()),
        ("hard_wax", {"left": 3, "right": 1}, ("left",)),
    ],
)
def test_wax_goes_over_the_same_skin_so_often_and_no_oftener(method, counts, often):
    assert sections_passed_too_often(passes(**counts), MOST[method]) == often


def test_a_section_named_twice_counts_together_whatever_its_capitals():
    twice = [Passes(section="Left ", passes=1), Passes(section="left", passes=1)]
    assert sections_passed_too_often(twice, 1) == ("left",)
    assert sections_passed_too_often(twice, None) == ()


@given(st.lists(st.builds(Passes, section=st.sampled_from("abc"), passes=st.integers(1, 4))), st.integers(1, 5))  # fmt: skip
def test_one_pass_more_never_makes_it_better(done, most):
    often = set(sections_passed_too_often(done, most))
    assert often <= set(sections_passed_too_often([*done, Passes(section="a", passes=1)], most))
    for name in often:
        assert sum(one.passes for one in done if one.section == name) > most


def test_a_record_is_of_a_time_between_the_beginning_and_now():
    began = NOW - timedelta(minutes=20)
    assert flaw_of_time(NOW, started_at=began, now=NOW) is None
    assert flaw_of_time(began, started_at=began, now=NOW) is None
    assert flaw_of_time(NOW + timedelta(seconds=1), started_at=began, now=NOW) == "lies ahead"
    early = flaw_of_time(began - timedelta(seconds=1), started_at=began, now=NOW)
    assert early == "is before the work began"


def test_applicators_are_those_of_the_list():
    assert applicators_of({"wax_applicator": 8, "mirror": 1}) == 8
    assert applicators_of({"mirror": 1}) is None
    assert set(WHAT_TO_DO) == set(RecordFlaw)
