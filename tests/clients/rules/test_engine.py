"""Screening in scenes: silence, several reasons, vague dates, plans, orders of lines, alternatives."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from clients.rules.cases import Answer, Ask, Declaration, DeskView, Unclear, desk_view
from clients.rules.dates import (
    DateRange,
    Unit,
    about_ago,
    exactly,
    in_month,
    unknown_future,
    unknown_past,
)
from clients.rules.engine import screen
from clients.rules.model import Asked, Lift, PatchTest, Verdict
from tests.clients.rules.scenarios import (
    ALL_NO,
    RULES,
    TODAY,
    line,
    reason_of,
    rules_in,
    said,
    screened,
    seen,
)

DAY = timedelta(days=1)
LIGHT_PEEL = said("chemical_peel", TODAY - 3 * DAY, "face", details={"light"})


def test_a_client_who_answered_no_to_all_proceeds():
    screening = screened()
    assert (screening.verdict, screening.reasons, screening.ask_next) == (Verdict.PROCEED, (), ())
    assert (screening.earliest_on, screening.alternatives) == (None, ())


def test_a_client_who_was_not_asked_does_not_proceed_and_the_questions_come_in_order():
    screening = screened(answers={})
    assert screening.verdict is Verdict.ASK_FIRST
    needed = [question.id for question in RULES.questions_for("soft_wax", "lip")]
    assert [ask.about for ask in screening.ask_next] == needed
    assert screening.overridable_by == frozenset()


def test_the_spoken_list_is_asked_at_every_visit():
    spoken = {question.id for question in RULES.questions if question.asked is Asked.EVERY_VISIT}
    assert spoken == {
        "new_medicine",
        "isotretinoin",
        "skin_actives",
        "skin_procedures",
        "sun",
        "skin_today",
        "last_reaction",
        "fever_or_infection",
        "pregnancy",
    }


@pytest.mark.parametrize(
    ("method", "area", "matters"),
    [
        ("soft_wax", "bikini", True),
        ("peel", "face", True),
        ("electrical", "face", True),
        ("soft_wax", "lip", False),
    ],
)
def test_pregnancy_is_asked_where_it_matters(method, area, matters):
    asked = {question.id for question in RULES.questions_for(method, area)}
    assert ("pregnancy" in asked) == matters


def test_a_trim_needs_fewer_answers_than_a_peel():
    trim = {question.id for question in RULES.questions_for("trimming", "lower_leg")}
    peel = {question.id for question in RULES.questions_for("peel", "face")}
    assert "isotretinoin" not in trim
    assert {"fever_or_infection", "skin_today"} <= trim < peel


def test_a_yes_alone_is_not_an_answer():
    answers = ALL_NO | {"skin_actives": Answer.YES}
    assert rules_in(screened(answers=answers)) == {"question:skin_actives"}
    assert (
        screened(said("scrub", TODAY - 9 * DAY, "lip"), answers=answers).verdict is Verdict.PROCEED
    )
    # What is seen is no answer to what was asked.
    asked = ALL_NO | {"skin_today": Answer.YES}
    assert "question:skin_today" in rules_in(screened(seen("bruise", "lip"), answers=asked))


def test_what_is_on_record_from_before_counts_but_answers_nothing_today():
    yes = ALL_NO | {"skin_actives": Answer.YES}
    on_record = replace(said("topical_retinoid", TODAY - DAY, "lip"), said_today=False)
    screening = screened(on_record, answers=yes)
    assert rules_in(screening) == {"topical_retinoid", "question:skin_actives"}
    assert rules_in(screened(on_record)) == {"topical_retinoid"}
    fresh = said("topical_retinoid", TODAY, "arm")
    both = screened(on_record, fresh, answers=yes)
    assert rules_in(both) == {"topical_retinoid"}


def test_a_burn_seen_today_is_not_called_healed_by_a_look_today():
    burnt = said("sunburn", TODAY - 3 * DAY, "lip")
    healed = {"met": frozenset({"sunburn"})}
    assert screened(burnt, **healed).verdict is Verdict.PROCEED_WITH_CARE
    assert screened(burnt, seen("sunburn", "lip"), **healed).verdict is Verdict.WAIT_UNTIL
    assert not reason_of(screened(burnt, seen("sunburn", "lip"), **healed), "sunburn").met


def test_a_no_does_not_take_back_what_was_declared():
    taking = said("isotretinoin", TODAY, still=True)
    assert screened(taking, answers=ALL_NO).verdict is Verdict.DO_NOT_TREAT


def test_a_line_that_waits_still_says_what_was_not_asked():
    screening = screened(LIGHT_PEEL, answers={**ALL_NO, "sun": Answer.NOT_ANSWERED})
    assert (screening.verdict, screening.earliest_on) == (Verdict.WAIT_UNTIL, TODAY + 11 * DAY)
    assert rules_in(screening) == {"light_peel", "question:sun"}
    assert not screening.is_firm


def test_of_several_waits_the_latest_date_counts_and_all_are_kept():
    screening = screened(
        LIGHT_PEEL,
        said("topical_retinoid", TODAY - DAY, "lip"),
        said("isotretinoin", date(2026, 3, 31)),
    )
    assert rules_in(screening) == {"light_peel", "topical_retinoid", "isotretinoin_after"}
    assert (screening.earliest_on, screening.is_firm) == (date(2026, 9, 30), True)


def test_a_patch_test_and_a_wait_are_both_met_on_the_later_day():
    soon = screened(said("scrub", TODAY, "lip"), patch_test=PatchTest.DUE)
    assert (soon.verdict, soon.earliest_on) == (Verdict.WAIT_UNTIL, TODAY + 2 * DAY)
    late = screened(LIGHT_PEEL, patch_test=PatchTest.DUE)
    assert late.earliest_on == TODAY + 11 * DAY
    # The day alone is not enough: the test must be made and read.
    assert (soon.is_firm, late.is_firm) == (False, False)


def test_a_stop_without_an_end_shows_no_date():
    screening = screened(LIGHT_PEEL, seen("open_wound", "lip"))
    assert (screening.verdict, screening.earliest_on) == (Verdict.DO_NOT_TREAT, None)
    assert reason_of(screening, "light_peel").until == TODAY + 11 * DAY


def test_a_day_beside_a_condition_is_the_soonest_and_not_firm():
    screening = screened(LIGHT_PEEL, said("sunburn", TODAY - DAY, "lip"))
    assert (screening.verdict, screening.earliest_on) == (Verdict.WAIT_UNTIL, TODAY + 11 * DAY)
    assert not screening.is_firm


def test_what_needs_a_release_gives_no_date_though_time_would_meet_it_too():
    medium = said("chemical_peel", TODAY, "face", details={"medium"})
    assert screened(medium).earliest_on is None
    assert reason_of(screened(medium), "deeper_peel").until == date(2028, 8, 3)


@pytest.mark.parametrize("order", [(1, 3), (3, 1)])
def test_of_two_events_of_one_kind_the_later_counts(order):
    said_twice = [said("topical_retinoid", TODAY - days * DAY, "lip") for days in order]
    assert reason_of(screened(*said_twice), "topical_retinoid").until == TODAY + 6 * DAY
    still = replace(said_twice[0], still=True)
    assert reason_of(screened(still, said_twice[1]), "topical_retinoid").until is None


def test_a_wait_that_was_met_gives_no_date():
    liftable = with_rule("light_peel", lifted_by=Lift.RELEASE)
    released = screened(LIGHT_PEEL, rules=liftable, met=frozenset({"light_peel"}))
    assert (released.verdict, released.earliest_on) == (Verdict.PROCEED_WITH_CARE, None)
    # Something else of the kind that nothing has met still stands.
    assert screened(LIGHT_PEEL, rules=liftable).earliest_on == TODAY + 11 * DAY


def test_an_event_without_a_time_to_wait_takes_its_own_day():
    only_ahead = with_rule("light_peel", since=None)
    peel = replace(LIGHT_PEEL, when=exactly(TODAY))
    assert screened(peel, rules=only_ahead).earliest_on == TODAY + DAY
    someday = replace(LIGHT_PEEL, when=unknown_future(TODAY))
    assert screened(someday, rules=only_ahead).earliest_on is None


def with_rule(rule_id, **changes):
    rules = tuple(replace(r, **changes) if r.id == rule_id else r for r in RULES.rules)
    return replace(RULES, rules=rules)


def test_hair_that_was_not_measured_is_asked_about():
    screening = screened(seen("hair_length", "lip"))
    assert rules_in(screening) == {"hair_too_short", "hair_too_long"}
    assert ("hair_length", "detail") in {(ask.about, ask.what) for ask in screening.ask_next}
    assert not screened(seen("hair_length", "lip", millimetres="5")).is_vague


def test_what_is_still_in_use_gets_a_condition_and_no_date():
    # A date would tell the client when to leave a prescribed thing off.
    in_use = screened(said("topical_retinoid", TODAY, "face", still=True))
    assert (in_use.verdict, in_use.earliest_on) == (Verdict.WAIT_UNTIL, None)
    assert reason_of(in_use, "topical_retinoid").condition == "not_in_use"
    later = screened(said("topical_retinoid", TODAY, "face", still=True), on=TODAY + 90 * DAY)
    assert later.verdict is Verdict.WAIT_UNTIL


def test_the_worst_day_of_a_vague_date_decides_and_is_shown_to_be_vague():
    about = replace(LIGHT_PEEL, when=about_ago(3, Unit.WEEKS, TODAY))
    assert screened(about).verdict is Verdict.PROCEED  # at the latest exactly two weeks ago
    about = replace(LIGHT_PEEL, when=about_ago(2, Unit.WEEKS, TODAY))
    screening = screened(about)
    assert (screening.verdict, screening.earliest_on, screening.is_vague) == (
        Verdict.WAIT_UNTIL,
        TODAY + 7 * DAY,
        True,
    )
    assert screening.ask_next == (
        Ask(
            about="chemical_peel",
            what="date",
            text="When was it, as exactly as you can say? (a chemical peel)",
        ),
    )
    assert not screened(LIGHT_PEEL).is_vague


def test_a_month_ends_today_and_an_unknown_day_may_be_today():
    sometime = replace(said("isotretinoin"), when=in_month(2026, 8), still=False)
    assert screened(replace(sometime, when=in_month(2026, 8).up_to(TODAY))).earliest_on == date(
        2027, 2, 3
    )
    assert screened(replace(sometime, when=unknown_past(TODAY))).earliest_on == date(2027, 2, 3)


def test_what_is_vague_and_changes_nothing_is_not_asked_about():
    long_over = replace(LIGHT_PEEL, when=in_month(2026, 1))
    assert (screened(long_over).verdict, screened(long_over).is_vague) == (Verdict.PROCEED, False)
    clear = said("open_wound", TODAY - 40 * DAY, "lip", still=True)
    assert not screened(replace(clear, when=in_month(2026, 6))).is_vague


def test_an_unknown_place_form_or_end_counts_as_the_worst_and_is_asked_about():
    screening = screened(Declaration(kind="chemical_peel", when=exactly(TODAY)))
    assert rules_in(screening) == {"light_peel", "deeper_peel"}
    assert reason_of(screening, "deeper_peel").unclear == {Unclear.AREA, Unclear.DETAIL}
    screening = screened(Declaration(kind="isotretinoin", when=exactly(date(2020, 1, 1))))
    assert screening.verdict is Verdict.DO_NOT_TREAT
    assert reason_of(screening, "isotretinoin_in_use").unclear == {Unclear.STILL}
    assert [ask.what for ask in screening.ask_next] == ["still"]


def test_a_second_clear_declaration_makes_a_vague_one_irrelevant():
    vague = replace(LIGHT_PEEL, when=unknown_past(TODAY))
    exact = replace(LIGHT_PEEL, when=exactly(TODAY))
    assert screened(vague).is_vague
    assert not screened(vague, exact).is_vague


def test_a_planned_event_is_judged_on_both_sides():
    planned = said("chemical_peel", TODAY + 20 * DAY, "face", details={"light"})
    assert screened(planned, on=TODAY + 6 * DAY).verdict is Verdict.PROCEED
    between = screened(planned, on=TODAY + 7 * DAY)
    assert (between.verdict, between.earliest_on, between.is_firm) == (
        Verdict.WAIT_UNTIL,
        TODAY + 34 * DAY,
        True,
    )
    assert screened(planned, on=TODAY + 34 * DAY).verdict is Verdict.PROCEED


def test_a_day_that_one_wait_gives_is_tried_on_the_others():
    # The retinoid ends on the tenth, but a laser is planned for the twentieth.
    retinoid = said("topical_retinoid", TODAY, "lip")
    laser = said("laser_hair_removal", date(2026, 8, 31), "lip")
    assert screened(retinoid).earliest_on == date(2026, 8, 10)
    assert screened(retinoid, laser).earliest_on == date(2026, 9, 14)


def test_something_planned_for_an_unknown_day_has_no_date():
    someday = replace(said("dermal_filler", TODAY, "face"), when=unknown_future(TODAY))
    screening = screened(someday)
    assert (screening.verdict, screening.earliest_on, screening.is_vague) == (
        Verdict.WAIT_UNTIL,
        None,
        True,
    )


def test_a_medicine_to_come_counts_from_its_first_day_on():
    planned = said("isotretinoin", TODAY + 10 * DAY)
    assert screened(planned, on=TODAY + 9 * DAY).verdict is Verdict.PROCEED
    assert screened(planned, on=TODAY + 10 * DAY).verdict is Verdict.DO_NOT_TREAT
    waiting = screened(planned, said("tanning", TODAY + 9 * DAY, "lip"), on=TODAY + 9 * DAY)
    assert not waiting.is_firm
    # Nobody can say of a thing to come whether it still goes on.
    for still in (None, True):
        told = replace(planned, still=still)
        assert screened(told, on=TODAY + 9 * DAY).verdict is Verdict.PROCEED
        assert screened(told, on=TODAY + 10 * DAY).verdict is Verdict.DO_NOT_TREAT


def test_what_cannot_be_planned_was_at_the_latest_today():
    this_week = DateRange(earliest=TODAY - 3 * DAY, latest=TODAY + 3 * DAY)
    over = said("contagious_skin_infection", this_week)
    assert screened(over).verdict is screened(replace(over, when=exactly(TODAY))).verdict
    assert screened(over).verdict is Verdict.PROCEED
    # What may be planned may go on from some day of that week.
    assert screened(said("isotretinoin", this_week)).verdict is Verdict.DO_NOT_TREAT


def test_methods_that_pass_are_offered_beside_a_wait():
    assert screened(LIGHT_PEEL).alternatives == ("tweezing", "trimming")
    assert screened(
        LIGHT_PEEL, said("laser_hair_removal", TODAY + 5 * DAY, "lip")
    ).alternatives == ("trimming",)
    assert screened(LIGHT_PEEL, seen("fever")).alternatives == ()
    unasked = {key: value for key, value in ALL_NO.items() if key != "fever_or_infection"}
    assert screened(LIGHT_PEEL, answers=unasked).alternatives == ()
    # Beside a mere question nothing is offered: ask it.
    one_open = {key: value for key, value in ALL_NO.items() if key != "isotretinoin"}
    assert screened(answers=one_open).alternatives == ()
    assert screened(LIGHT_PEEL, answers=one_open).alternatives == ("tweezing", "trimming")


def test_an_allergy_is_matched_with_what_is_in_the_pot():
    rosin = said("allergy", details={"rosin"})
    assert (
        screened(rosin, ingredients=frozenset({"rosin", "beeswax"})).verdict is Verdict.DO_NOT_TREAT
    )
    assert screened(rosin, ingredients=frozenset({"beeswax"})).verdict is Verdict.PROCEED
    assert screened(rosin).verdict is Verdict.ASK_FIRST
    unspecific = screened(said("allergy"), ingredients=frozenset({"beeswax"}))
    assert unspecific.verdict is Verdict.ASK_FIRST
    assert ("allergy", "detail") in {(ask.about, ask.what) for ask in unspecific.ask_next}
    assert screened(said("allergy"), method="tweezing").verdict is Verdict.PROCEED


def visit(*of_lines):
    lines = [line(key=key, position=n, **of_line) for n, (key, of_line) in enumerate(of_lines)]
    return screen(
        rule_set=RULES, lines=lines, answers=ALL_NO, declarations=[], findings=[], today=TODAY
    )


def test_tint_goes_before_wax():
    wax, tint = {"area": "brow"}, {"area": "brow", "method": "tint"}
    right = visit(("tint", tint), ("wax", wax))
    assert {screening.verdict for screening in right.values()} == {Verdict.PROCEED}
    wrong = visit(("wax", wax), ("tint", tint))
    assert wrong["wax"].verdict is Verdict.PROCEED
    assert (wrong["tint"].verdict, rules_in(wrong["tint"])) == (
        Verdict.WAIT_UNTIL,
        {"nothing_after_waxing"},
    )
    # Also where something that stands in nobody's way came first.
    third = visit(("trim", {"area": "lip", "method": "trimming"}), ("wax", wax), ("tint", tint))
    assert third["tint"].verdict is Verdict.WAIT_UNTIL


@pytest.mark.parametrize(
    "order", [("peel", "soft_wax"), ("soft_wax", "peel"), ("dermaplaning", "hard_wax")]
)
def test_peel_and_wax_of_one_area_are_not_for_one_day(order):
    first, second = order
    screenings = visit(("first", {"method": first}), ("second", {"method": second}))
    assert (screenings["first"].verdict, screenings["second"].verdict) == (
        Verdict.PROCEED,
        Verdict.WAIT_UNTIL,
    )
    apart = visit(("first", {"method": first}), ("second", {"method": second, "on": TODAY + DAY}))
    assert apart["second"].verdict is Verdict.PROCEED


def test_the_face_comes_before_feet():
    feet = {"area": "foot", "method": "massage"}
    assert (
        visit(("feet", feet), ("face", {"area": "lip"}))["face"].verdict
        is Verdict.PROCEED_WITH_CARE
    )
    assert visit(("face", {"area": "lip"}), ("feet", feet))["face"].verdict is Verdict.PROCEED


def test_the_desk_sees_outcome_and_date_only():
    view = desk_view(screened(said("isotretinoin", date(2026, 3, 31))))
    assert view == DeskView(verdict=Verdict.WAIT_UNTIL, earliest_on=date(2026, 9, 30))
    assert "isotretinoin" not in repr(view)


def test_an_override_needs_a_rule_that_allows_it():
    assert screened(LIGHT_PEEL).overridable_by == {"practitioner", "lead"}
    # What was met needs none.
    liftable = with_rule("light_peel", lifted_by=Lift.RELEASE)
    released = screened(LIGHT_PEEL, rules=liftable, met=frozenset({"light_peel"}))
    assert reason_of(released, "light_peel").overridable_by == ()
    assert screened(LIGHT_PEEL, said("isotretinoin", TODAY)).overridable_by == frozenset()
    assert screened(LIGHT_PEEL, answers={}).overridable_by == frozenset()


def test_verdicts_are_ordered_by_strictness():
    words = [verdict.value for verdict in sorted(Verdict)]
    assert words == [
        "proceed",
        "proceed_with_care",
        "ask_first",
        "patch_test_first",
        "wait_until",
        "medical_release_first",
        "do_not_treat",
    ]
    with pytest.raises(TypeError):
        assert Verdict.PROCEED < "wait_until"


def test_what_the_products_stop_does_not_stop_a_method_without_products():
    due = {"patch_test": PatchTest.DUE}
    assert screened(**due).alternatives == ("tweezing", "trimming")
    # A facial has products too: the test is due for it as well.
    assert screened(method="peel", **due).alternatives == ()
    rosin = said("allergy", details=["rosin"])
    on_label = {"ingredients": frozenset({"rosin"})}
    assert screened(rosin, **on_label).alternatives == ("tweezing", "trimming")
    assert screened(rosin, LIGHT_PEEL, method="peel", **on_label).alternatives == ()


def test_a_patch_test_that_was_made_is_read_on_its_own_day():
    due = {"patch_test": PatchTest.DUE}
    assert screened(**due).earliest_on == TODAY + 2 * DAY
    assert screened(**due, patch_test_on=TODAY + DAY).earliest_on == TODAY + DAY
