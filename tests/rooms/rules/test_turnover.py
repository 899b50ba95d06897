"""Turnover: states, steps in order, wet time to the second."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from rooms.rules.turnover import (
    MOVES,
    WHAT_TO_DO,
    NotCounted,
    RoomState,
    StepDone,
    TurnoverStep,
    TurnoverTerms,
    is_legal_move,
    judge_step,
    plan_from,
    plan_of_room,
    progress,
    state_at,
    wet_until,
)

LEFT = datetime(2026, 3, 2, 15, tzinfo=UTC)
STEPS = parameters("us-tx", date(2026, 3, 2))[ParameterName.TURNOVER_STEPS]
EVERY_STEP = plan_from(STEPS.value, version=STEPS.pack)
PLAN = plan_of_room(EVERY_STEP, [])
REQUIRED = [step.code for step in PLAN.steps if step.required]
WET = 600
TERMS = TurnoverTerms(plan=PLAN)


def at(seconds):
    return LEFT + timedelta(seconds=seconds)


def done(code, seconds, wet_from=None, **more):
    began = None if wet_from is None else at(wet_from)
    return StepDone(code=code, at=at(seconds), wet_from=began, **{"wet_seconds": WET, **more})


def in_order(codes=REQUIRED, wet=WET, label=WET):
    """The steps one after the other, a minute each, and the surfaces wet for `wet` seconds."""
    now, found = 0, []
    for code in codes:
        now += 60
        wet_from = None
        if code == "disinfect_surfaces":
            wet_from, now = now, now + wet
        found.append(done(code, now, wet_from, wet_seconds=label))
    return found


def judged(reported, terms=TERMS):
    return progress(terms, reported, began_at=LEFT)


def test_the_steps_and_their_order():
    # common practice, no source, for the order; each step's own source stands in the pack:
    # 3.01 16 CCR 981(a), 1.17 16 CCR 979 (older text), 11.09 16 CCR 987, 11.02 19 NYCRR 160.22(e),
    # 11.03 Okla. 175:10-7-6(f), 6.05 Wis. Cos 4.01(2), 11.01 19 NYCRR 160.20
    assert REQUIRED == [
        "single_use_out",
        "implements_to_soiled",
        "linen_to_hamper",
        "clean_surfaces",
        "disinfect_surfaces",
        "wipe_equipment",
        "floor",
        "hands_washed",
        "fresh_linen",
    ]
    assert PLAN.version == "house-default@1"
    assert [step.code for step in PLAN.steps if step.wet] == ["disinfect_surfaces"]
    assert all(step.citation and step.strength for step in PLAN.steps)


def test_all_steps_in_order_make_a_room_ready():
    found = judged(in_order())
    assert found.may_be_ready
    assert found.uncounted == ()
    assert found.complete_at == in_order()[-1].at


@pytest.mark.parametrize("left_out", REQUIRED)
def test_not_ready_with_a_required_step_open(left_out):
    found = judged([step for step in in_order() if step.code != left_out])
    assert not found.may_be_ready
    assert found.next_step == left_out
    assert found.complete_at is None


@pytest.mark.parametrize(
    ("wet", "counts"),
    # 1.06, national-council model text: visibly wet for the whole label time
    [(WET - 1, False), (WET, True)],
)
def test_wet_time_to_the_second(wet, counts):
    found = judged(in_order(wet=wet))
    assert found.may_be_ready is counts
    if not counts:
        assert found.uncounted[0].reason is NotCounted.WET_TIME_SHORT
        assert found.next_step == "disinfect_surfaces"
    assert wet_until(at(0), WET) == at(WET)


def test_a_dried_out_surface_is_wetted_again_and_then_counts():
    first = in_order(wet=300)[:5]
    again = done("disinfect_surfaces", 600 + WET, wet_from=600)
    found = judged([*first, again])
    assert [u.reason for u in found.uncounted] == [NotCounted.WET_TIME_SHORT]
    assert found.next_step == "wipe_equipment"


def test_wet_before_it_was_cleaned_does_not_count():
    steps = in_order(codes=REQUIRED[:4])
    cleaned_at = int((steps[-1].at - LEFT).total_seconds())
    early = done("disinfect_surfaces", cleaned_at + WET, wet_from=cleaned_at - 1)
    assert judged([*steps, early]).uncounted[0].reason is NotCounted.WET_TIME_SHORT
    unsaid = replace(early, wet_from=None)
    assert judged([*steps, unsaid]).uncounted[0].reason is NotCounted.WET_TIME_SHORT


@pytest.mark.parametrize("wet_seconds", [None, 0])
def test_without_a_label_time_the_room_cannot_be_ready(wet_seconds):
    found = judged(in_order(label=wet_seconds))
    assert found.uncounted[0].reason is NotCounted.NO_LABEL_WET_TIME
    assert not found.may_be_ready


def test_after_blood_the_surface_product_must_be_hospital_type():
    # 10.02, Mich. R 339.6039: surfaces with bleach or a hospital agent
    terms = replace(TERMS, blood_seen=True)
    assert judged(in_order(), terms).uncounted[0].reason is NotCounted.AGENT_NOT_FOR_BLOOD
    strong = [replace(step, hospital_type=True) for step in in_order()]
    assert judged(strong, terms).may_be_ready


def test_out_of_order_is_recorded_not_counted_and_named():
    floor_first = done("floor", 1)
    found = judged([floor_first, *in_order()])
    assert found.uncounted[0].reason is NotCounted.OUT_OF_ORDER
    assert found.uncounted[0].open_before == tuple(REQUIRED[:6])
    assert found.may_be_ready  # it was done again at its turn


def test_unknown_doubled_and_too_old_steps_do_not_count():
    found = judged([done("single_use_out", -1), done("polish", 1), *in_order(REQUIRED[:1] * 2)])
    assert [u.reason for u in found.uncounted] == [
        NotCounted.OUT_OF_ORDER,
        NotCounted.UNKNOWN_STEP,
        NotCounted.ALREADY_DONE,
    ]
    assert [step.code for step in found.counted] == ["single_use_out"]
    assert judge_step(TERMS, [], done("single_use_out", 0), began_at=LEFT) is None


def test_an_optional_step_may_be_left_out_or_done():
    found = judged([*in_order(), done("set_up", 5000)])
    assert found.may_be_ready
    assert found.complete_at == at(5000)


def test_plans_that_make_no_sense_are_refused():
    step = {"code": "floor", "title": "Clean the floor"}
    with pytest.raises(ValueError, match="twice"):
        plan_from([step, step], version="x@1")
    with pytest.raises(ValueError, match="required"):
        plan_from([{**step, "required": False}], version="x@1")
    with pytest.raises(ValueError, match="required"):
        plan_from([], version="x@1")


def test_every_refusal_says_what_to_do():
    assert set(WHAT_TO_DO) == set(NotCounted)


reports = st.lists(
    st.tuples(
        st.sampled_from([*REQUIRED, "set_up", "polish"]),
        st.integers(0, 4000),
        st.sampled_from([None, 0, 1, WET - 1, WET, WET + 1]),
    ),
    max_size=25,
)


@given(reports, st.booleans())
def test_whatever_is_reported_ready_means_every_step_in_order_and_wet(rows, complete):
    reported = [done(c, s, None if wet is None else s - wet) for c, s, wet in rows]
    if complete:
        reported += [replace(step, at=step.at + timedelta(hours=2)) for step in in_order()]
    found = judged(reported)
    times = {step.code: step.at for step in found.counted}
    assert found.may_be_ready is (set(REQUIRED) <= set(times))
    ordered = [code for code in times if code in REQUIRED]
    assert ordered == REQUIRED[: len(ordered)]
    assert list(times.values()) == sorted(times.values())
    for step in found.counted:
        if step.code == "disinfect_surfaces":
            assert (step.at - step.wet_from).total_seconds() >= WET
            assert step.wet_from >= times["clean_surfaces"]
    assert len(found.counted) + len(found.uncounted) == len(reported)


@given(st.permutations(REQUIRED))
def test_only_the_one_order_makes_a_room_ready(order):
    assert judged(in_order(order)).may_be_ready is (order == REQUIRED)


@given(st.integers(0, 2000), st.integers(1, 1200))
def test_ready_exactly_when_the_label_time_is_kept(wet, label):
    found = judged(in_order(wet=wet, label=label))
    assert found.may_be_ready is (wet >= label)


R = RoomState


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (R.READY, R.IN_SERVICE),
        (R.READY, R.NEEDS_TURNOVER),
        (R.READY, R.OUT_OF_USE),
        (R.IN_SERVICE, R.NEEDS_TURNOVER),
        (R.NEEDS_TURNOVER, R.TURNING_OVER),
        (R.NEEDS_TURNOVER, R.OUT_OF_USE),
        (R.TURNING_OVER, R.READY),
        (R.TURNING_OVER, R.NEEDS_TURNOVER),
        (R.TURNING_OVER, R.OUT_OF_USE),
        (R.OUT_OF_USE, R.NEEDS_TURNOVER),
    ],
)
def test_legal_moves(before, after):
    assert is_legal_move(before, after)


def test_every_other_move_is_refused():
    legal = {(b, a) for b, a in product(R, R) if is_legal_move(b, a)}
    assert len(legal) == 10
    assert set(MOVES) == set(R)
    # ready comes only from a turnover, and a service begins only in a ready room
    assert {b for b, a in legal if a is R.READY} == {R.TURNING_OVER}
    assert {b for b, a in legal if a is R.IN_SERVICE} == {R.READY}


@given(st.sampled_from(R), st.integers(-100, 100))
def test_ready_lapses_at_closing_and_nothing_else_does(state, seconds):
    found = state_at(state, lapses_at=LEFT, now=at(seconds))
    assert found is (R.NEEDS_TURNOVER if state is R.READY and seconds >= 0 else state)
    assert state_at(state, lapses_at=None, now=at(seconds)) is state


def test_a_step_is_required_unless_said_otherwise():
    assert TurnoverStep(code="floor", title="Clean the floor").required


def test_a_room_has_the_steps_of_its_kind_and_every_room_the_general_ones():
    # 9.07, the California board's log form: the basin after each client.
    # Before the floor and the hands: common practice, no source.
    general = plan_of_room(EVERY_STEP, [])
    basin = plan_of_room(EVERY_STEP, ["foot_basin", "sink"])
    assert [step.code for step in basin.steps if step not in general.steps] == ["foot_basin"]
    assert set(general.steps) < set(basin.steps)
    codes = [step.code for step in basin.steps]
    assert codes.index("disinfect_surfaces") < codes.index("foot_basin") < codes.index("floor")
    assert {step.code for step in plan_of_room(EVERY_STEP, ["steamer"]).steps} - {
        step.code for step in general.steps
    } == {"facial_machines"}


def test_a_basin_has_its_own_wet_time_and_may_have_it_while_the_table_is_wet():
    # After each client: California board's log form (2008). Wet as any surface: common practice, no source.
    terms = TurnoverTerms(plan=plan_of_room(EVERY_STEP, ["foot_basin"]))
    surfaces = in_order(REQUIRED[: REQUIRED.index("disinfect_surfaces") + 1])
    cleaned, wiped = (surfaces[i].at - LEFT for i in (-2, -1))
    cleaned, wiped = int(cleaned.total_seconds()), int(wiped.total_seconds())
    for wet_from, reported, reason in [
        (None, wiped + WET, NotCounted.WET_TIME_SHORT),
        (wiped, wiped + WET - 1, NotCounted.WET_TIME_SHORT),
        (cleaned - 1, wiped, NotCounted.WET_TIME_SHORT),
        (cleaned, wiped, None),
        (wiped, wiped + WET, None),
    ]:
        basin = done("foot_basin", reported, wet_from)
        found = progress(terms, [*surfaces, basin], began_at=LEFT)
        assert [one.reason for one in found.uncounted] == ([reason] if reason else [])
        assert ("foot_basin" in found.open_required) is (reason is not None)


def test_the_general_steps_stand_in_the_order_of_common_practice():
    # Common practice, no source, with the sources of single steps in the pack.
    assert [step.code for step in plan_of_room(EVERY_STEP, []).steps] == [
        "single_use_out", "implements_to_soiled", "linen_to_hamper", "clean_surfaces", "disinfect_surfaces",
        "wipe_equipment", "floor", "hands_washed", "fresh_linen", "set_up",
    ]  # fmt: skip
