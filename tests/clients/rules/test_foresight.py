"""Looking ahead: what is known stops a coming line; what passes soon does not for long."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.rules.engine import case_for
from clients.rules.foresight import foresee
from clients.rules.model import Verdict
from tests.clients.rules import scenarios
from tests.clients.rules.scenarios import (
    ALL_NO,
    RULES,
    TODAY,
    line,
    rules_in,
    said,
    screened,
    unhurried,
)

DAY = timedelta(days=1)
PASSING = sorted((k.id, k.foreseen_days) for k in RULES.kinds.values() if k.foreseen_days)
LASTING = sorted(k.id for k in RULES.kinds.values() if k.told and not k.foreseen_days)
coming = st.integers(0, 120).map(lambda days: TODAY + days * DAY)


def foreseen(*things, told_on=TODAY, on=TODAY, **of_line):
    lines = [line(on=on, **of_line)]
    found = foresee(
        rule_set=RULES, lines=lines, declarations=[(told_on, t) for t in things], today=TODAY
    )
    screening = found["line"].screening()
    assert (screening.verdict, screening.earliest_on) == (
        found["line"].verdict,
        found["line"].earliest_on,
    )
    return screening


def test_with_nothing_told_nothing_is_foreseen_and_no_question_waits():
    assert foreseen(on=TODAY + 30 * DAY).verdict is Verdict.PROCEED


@unhurried
@given(
    coming,
    scenarios.areas,
    scenarios.methods,
    st.lists(scenarios.declarations(kinds=LASTING), max_size=3),
)
def test_what_stays_is_judged_as_screening_would_on_that_day(on, area, method, things):
    ahead = foreseen(*things, on=on, area=area, method=method)
    assert ahead == screened(*things, on=on, area=area, method=method)


@unhurried
@given(coming, st.lists(scenarios.declarations(), max_size=3), scenarios.declarations())
def test_another_declaration_never_loosens_the_foresight(on, things, more):
    before, after = foreseen(*things, on=on), foreseen(*things, more, on=on)
    assert after.verdict >= before.verdict
    assert rules_in(before) <= rules_in(after)


@pytest.mark.parametrize(("kind", "days"), PASSING)
def test_what_passes_soon_stops_until_its_days_are_over_and_no_longer(kind, days):
    # House policy: a fever or a sore of today says nothing of a visit weeks ahead.
    told = said(kind, TODAY, still=True)
    area = "intimate" if kind == "genital_herpes" else "lip"
    last = foreseen(told, on=TODAY + (days - 1) * DAY, area=area)
    assert last.verdict > Verdict.PROCEED
    assert foreseen(told, on=TODAY + days * DAY, area=area).verdict is Verdict.PROCEED


def test_days_do_not_touch_each_other():
    lines = [
        line(key="wax", on=TODAY + DAY, position=0),
        line(key="peel", method="peel", on=TODAY + 2 * DAY, position=1),
    ]
    found = foresee(rule_set=RULES, lines=lines, declarations=[], today=TODAY)
    assert {one.verdict for one in found.values()} == {Verdict.PROCEED}


@unhurried
@given(
    scenarios.visits(),
    st.lists(scenarios.declarations(), max_size=3),
    scenarios.answers,
)
def test_an_outcome_is_what_the_screening_says(lines, things, answers):
    case = case_for(
        rule_set=RULES, lines=lines, answers=answers, declarations=things, findings=[], today=TODAY
    )
    for one in lines:
        screening = case.screening_with_alternatives(one)
        assert case.outcome(one) == (screening.verdict, screening.earliest_on)


def test_an_outcome_knows_what_is_met_and_what_was_not_asked():
    peel = said("chemical_peel", TODAY - 30 * DAY, "lip", details=["deep"])
    for met, answers in (
        (frozenset(), ALL_NO),
        (frozenset({"deeper_peel"}), ALL_NO),
        (frozenset(), {}),
    ):
        one = line(met=met)
        case = case_for(
            rule_set=RULES,
            lines=[one],
            answers=answers,
            declarations=[peel],
            findings=[],
            today=TODAY,
        )
        screening = case.screening_with_alternatives(one)
        assert case.outcome(one) == (screening.verdict, screening.earliest_on)
    assert case.outcome(line(area="forearm"))[0] is Verdict.ASK_FIRST
