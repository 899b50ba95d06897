"""What holds for every client, line and set of declarations, whatever the rules say."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from clients.rules.cases import Answer, Declaration, desk_view
from clients.rules.dates import DateRange, unknown_past
from clients.rules.engine import screen
from clients.rules.model import PatchTest, Verdict
from tests.clients.rules import scenarios
from tests.clients.rules.scenarios import ALL_NO, RULES, TODAY, rules_in, screened, unhurried

DAY = timedelta(days=1)


def of_visit(lines, things, answers=ALL_NO):
    return screen(
        rule_set=RULES,
        lines=lines,
        answers=answers,
        declarations=[t for t in things if isinstance(t, Declaration)],
        findings=[t for t in things if not isinstance(t, Declaration)],
        today=TODAY,
    )


def no_looser(before, after):
    """Whether `after` asks for at least as much as `before`, in verdict, reasons and date."""
    return (
        after.verdict >= before.verdict
        and rules_in(before) <= rules_in(after)
        and all(
            lasts_as_long(old, new)
            for old in before.reasons
            for new in after.reasons
            if old.rule_id == new.rule_id
        )
        and (
            before.earliest_on is None
            or after.earliest_on is None
            or after.earliest_on >= before.earliest_on
        )
        and (
            after.earliest_on is not None
            or before.earliest_on is None
            or after.verdict is Verdict.DO_NOT_TREAT
        )
    )


def lasts_as_long(old, new):
    return new.until is None or (old.until is not None and new.until >= old.until)


@unhurried
@given(
    scenarios.lines(),
    scenarios.things,
    scenarios.declarations() | scenarios.findings(),
    scenarios.answers,
)
def test_another_declaration_or_finding_never_loosens(line, things, another, answers):
    # A yes without its declaration is still silence; filling it in is the one thing that may
    # lift an ask_first, and the next test says how far. Here every yes has been filled in.
    filled = {key: Answer.NO if answer is Answer.YES else answer for key, answer in answers.items()}
    before = screened(*things, lines=[line], answers=filled)
    assert no_looser(before, screened(*things, another, lines=[line], answers=filled))


@unhurried
@given(scenarios.lines(), scenarios.things, scenarios.declarations(), scenarios.answers)
def test_filling_in_a_yes_lifts_its_own_question_and_nothing_else(line, things, another, answers):
    before = screened(*things, lines=[line], answers=answers)
    after = screened(*things, another, lines=[line], answers=answers)
    lifted = {
        f"question:{question.id}"
        for question in RULES.questions
        if answers.get(question.id) is Answer.YES and another.kind in question.kinds
    }
    assert rules_in(before) - rules_in(after) <= lifted


@unhurried
@given(scenarios.visits(), scenarios.things, scenarios.answers, st.randoms())
def test_the_order_of_what_is_said_and_seen_does_not_matter(lines, things, answers, random):
    shuffled = random.sample(things, len(things))
    one = of_visit(lines, things, answers)
    other = of_visit(random.sample(lines, len(lines)), shuffled, answers)
    assert one == other


@unhurried
@given(
    scenarios.lines(),
    st.lists(scenarios.declarations(only_past=True), max_size=5),
    st.integers(1, 400),
)
def test_a_later_service_date_never_tightens_a_wait_after_the_past(line, things, days):
    now = screened(*things, lines=[line])
    later = screened(*things, lines=[replace(line, on=line.on + timedelta(days=days))])
    assert later.verdict <= now.verdict
    assert rules_in(later) <= rules_in(now)


def dated_waits(screening):
    return [
        r
        for r in screening.standing
        if r.condition is None
        and r.until is not None
        and r.verdict is not Verdict.MEDICAL_RELEASE_FIRST
    ]


@unhurried
@given(
    scenarios.lines(),
    st.lists(scenarios.waits(), min_size=1, max_size=4),
    scenarios.things,
    scenarios.answers,
)
def test_the_earliest_date_is_tight(line, waits, things, answers):
    line = replace(line, area="lip", method="soft_wax")
    things = [*waits, *things[:1]]
    first = screened(*things, lines=[line], answers=answers)
    event(f"dated: {first.earliest_on is not None}, firm: {first.is_firm}")
    if first.earliest_on is None:
        return
    on_the_day = screened(*things, lines=[replace(line, on=first.earliest_on)], answers=answers)
    before = screened(*things, lines=[replace(line, on=first.earliest_on - DAY)], answers=answers)
    assert [r for r in dated_waits(on_the_day) if r.until > first.earliest_on] == []
    assert [r for r in dated_waits(before) if r.until >= first.earliest_on] != []
    assert not before.verdict.passes
    assert first.is_firm == on_the_day.verdict.passes
    assert on_the_day.earliest_on is None


@unhurried
@given(scenarios.lines(), scenarios.things, scenarios.answers)
def test_no_date_without_something_that_time_alone_meets(line, things, answers):
    screening = screened(*things, lines=[line], answers=answers)
    if screening.earliest_on is None:
        stopped = any(
            r.verdict is Verdict.DO_NOT_TREAT and r.until is None for r in screening.standing
        )
        assert stopped or not [r for r in dated_waits(screening) if r.until > line.on]
    else:
        assert screening.earliest_on > line.on


@unhurried
@given(scenarios.lines(), scenarios.declarations(), scenarios.things, st.data())
def test_a_narrower_date_range_never_tightens(line, vague, things, data):
    latest = vague.when.latest
    earliest = max(vague.when.earliest, latest - timedelta(days=1500))
    first, second = sorted(data.draw(st.tuples(*[st.dates(earliest, latest)] * 2)))
    exact = replace(vague, when=DateRange(earliest=first, latest=second))
    before = screened(*things, vague, lines=[line])
    after = screened(*things, exact, lines=[line])
    assert no_looser(after, before)


@unhurried
@given(
    scenarios.lines(), scenarios.declarations(), scenarios.things, st.sampled_from([True, False])
)
def test_knowing_whether_it_still_is_so_never_tightens(line, said, things, still):
    before = screened(*things, replace(said, still=None), lines=[line])
    after = screened(*things, replace(said, still=still), lines=[line])
    assert after.verdict <= before.verdict
    assert rules_in(after) <= rules_in(before)


@unhurried
@given(scenarios.lines(), scenarios.declarations(), scenarios.some_areas)
def test_naming_the_area_never_tightens(line, said, areas):
    before = screened(replace(said, areas=frozenset()), lines=[line])
    assert no_looser(screened(replace(said, areas=areas), lines=[line]), before)


@unhurried
@given(scenarios.lines(), scenarios.things, scenarios.answers)
def test_what_is_not_vague_does_not_change_with_a_more_exact_date(line, things, answers):
    screening = screened(*things, lines=[line], answers=answers)
    if screening.is_vague:
        return
    for which in ("earliest", "latest"):
        exact = [at_its(which, t) for t in things]
        again = screened(*exact, lines=[line], answers=answers)
        assert again.verdict == screening.verdict
        assert again.earliest_on == screening.earliest_on or not screening.is_firm


def at_its(which, thing):
    if not isinstance(thing, Declaration):
        return thing
    may_be_planned = RULES.kinds[thing.kind].may_be_planned
    when = thing.when if may_be_planned else thing.when.up_to(TODAY)
    day = getattr(when, which)
    return replace(thing, when=DateRange(earliest=day, latest=day))


@unhurried
@given(scenarios.lines(), scenarios.things, st.sampled_from(RULES.questions))
def test_silence_never_proceeds_where_the_answer_could_matter(line, things, question):
    line = replace(line, method="soft_wax", area="lip")
    answers = {key: answer for key, answer in ALL_NO.items() if key != question.id}
    screening = screened(*things, lines=[line], answers=answers)
    matters = question in RULES.questions_for(line.method, line.area)
    assert (f"question:{question.id}" in rules_in(screening)) == matters
    assert (
        question.id in {ask.about for ask in screening.ask_next if ask.what == "question"}
    ) == matters
    if matters:
        assert screening.verdict >= Verdict.ASK_FIRST
        assert not screening.is_firm


@pytest.mark.parametrize("question", RULES.questions, ids=lambda q: q.id)
def test_a_question_is_asked_exactly_where_a_yes_could_change_the_verdict(question):
    # The worst yes: every kind it may bring, in every form, everywhere, perhaps still so.
    worst = [Declaration(kind=kind, when=unknown_past(TODAY)) for kind in question.kinds]
    for method, area in product(RULES.methods, RULES.tree.touching):
        needed = question in RULES.questions_for(method, area)
        assert (screened(*worst, method=method, area=area).reasons != ()) == needed


@unhurried
@given(scenarios.visits(), scenarios.things, scenarios.answers)
def test_the_verdict_is_the_strictest_of_its_reasons_and_the_desk_sees_no_more(
    lines, things, answers
):
    for screening in of_visit(lines, things, answers).values():
        strictest = max((r.stands_as for r in screening.reasons), default=Verdict.PROCEED)
        assert screening.verdict is strictest
        assert (screening.standing == ()) == screening.verdict.passes
        assert all(r.sources and r.caution for r in screening.reasons)
        assert (screening.rules_version, screening.rules_digest) == (RULES.version, RULES.digest)
        view = desk_view(screening)
        assert {name: getattr(view, name) for name in view.__slots__} == {
            "verdict": screening.verdict,
            "earliest_on": screening.earliest_on,
        }


@unhurried
@given(scenarios.lines(), scenarios.things, scenarios.answers)
def test_alternatives_pass_when_they_are_screened_themselves(line, things, answers):
    screening = screened(*things, lines=[line], answers=answers)
    if screening.verdict <= Verdict.ASK_FIRST:
        assert screening.alternatives == ()
    for method in screening.alternatives:
        assert method in RULES.methods[line.method].instead
        uses = RULES.methods[method].uses_product
        instead = replace(
            line,
            method=method,
            patch_test=line.patch_test if uses else PatchTest.NOT_NEEDED,
            ingredients=line.ingredients if uses else frozenset(),
        )
        assert screened(*things, lines=[instead], answers=answers).verdict.passes


@unhurried
@given(scenarios.lines(), scenarios.things)
def test_what_was_met_asks_for_care_and_nothing_more(line, things):
    for reason in screened(*things, lines=[line]).reasons:
        if reason.met:
            assert reason.stands_as <= Verdict.PROCEED_WITH_CARE
            assert reason.rule_id in line.met or line.patch_test is PatchTest.VALID


@unhurried
@given(scenarios.lines(), scenarios.things, scenarios.answers)
def test_an_override_needs_every_standing_reason_to_allow_it(line, things, answers):
    screening = screened(*things, lines=[line], answers=answers)
    allowed = [set(r.overridable_by) for r in screening.standing]
    assert screening.overridable_by == (set.intersection(*allowed) if allowed else set())
    if any(r.rule_id.startswith("question:") for r in screening.standing):
        assert screening.overridable_by == set()


@unhurried
@given(scenarios.lines(on=date(2026, 12, 1)), scenarios.things)
def test_lines_of_other_days_do_not_judge_each_other(line, things):
    other = replace(line, key="other", method="soft_wax", on=TODAY, position=0)
    line = replace(line, position=1)
    alone = of_visit([line], things)[line.key]
    assert of_visit([other, line], things)[line.key] == alone
