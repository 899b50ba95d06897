"""The short spoken list: "no change" is today's answer, and lifts `ask_first` and nothing else."""

from dataclasses import replace
from datetime import date, timedelta
from uuid import uuid4

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from clients.rules.cases import Answer, LineToScreen
from clients.rules.engine import screen
from clients.rules.model import Asked, PatchTest, Verdict
from clients.rules.spoken import spoken_list, unchanged
from spa_ops.kernel.problems import InvalidInput
from tests.clients.test_told import FIRST, RULES, SECOND, START, THIRD, TODAY, Story

EVERY = [q for q in RULES.questions if q.asked is Asked.EVERY_VISIT]
TOLD = sorted(kind.id for kind in RULES.kinds.values() if kind.told)
AREAS = ["face", "lip", "brow", "bikini", "lower_leg", "back"]


def confirmed(story, visit, *questions):
    for item in unchanged(story.items, visit, RULES, [q.id for q in questions]):
        story.add(visit, item.kind, item.content)
    return story


def judged(case, *lines):
    return screen(
        rule_set=RULES,
        lines=lines,
        answers=case.answers,
        declarations=case.declarations,
        findings=case.findings,
        today=TODAY,
    )


def line(method="hard_wax", area="brow"):
    return LineToScreen(
        key="line", area=area, method=method, on=TODAY, patch_test=PatchTest.NOT_NEEDED
    )


# By Hypothesis: what a client may have told at two visits before, and at this one.

days = st.integers(0, 900).map(lambda n: (TODAY - timedelta(days=n)).isoformat())
whens = st.one_of(
    st.just({}),
    days.map(lambda day: {"on": day}),
    st.integers(0, 30).map(lambda n: {"about_weeks_ago": n}),
    st.integers(2020, 2025).map(lambda year: {"year": year}),
)


@st.composite
def declarations(draw):
    kind = RULES.kinds[draw(st.sampled_from(TOLD))]
    raw = {"kind": kind.id, "when": draw(whens)}
    raw["areas"] = draw(st.lists(st.sampled_from(AREAS), max_size=2, unique=True))
    if kind.details:
        codes = st.sampled_from(sorted(kind.details))
        raw["details"] = draw(st.lists(codes, max_size=2, unique=True))
    if kind.lasts_until is not None:
        raw["still"] = draw(st.sampled_from([None, True, False]))
    if kind.may_be_planned and draw(st.booleans()):
        later = (TODAY + timedelta(days=draw(st.integers(0, 60)))).isoformat()
        raw["when"] = draw(st.sampled_from([{"planned": True}, {"on": later}]))
    return raw


@st.composite
def stories(draw):
    """Up to three visits; what was asked once was answered at the first."""
    story = Story()
    story.tell(FIRST, answers=[{"question": q.id, "answer": "no"} for q in RULES.questions])
    for visit in (FIRST, SECOND, THIRD):
        story.tell(visit, declarations=draw(st.lists(declarations(), max_size=5)))
    return story


lines = st.builds(
    line,
    st.sampled_from(["soft_wax", "hard_wax", "peel", "facial", "tint", "electrical"]),
    st.sampled_from(AREAS),
)


@given(story=stories(), of=lines)
def test_no_change_to_everything_is_what_telling_the_same_today_gives(story, of):
    before = story.case(THIRD)
    asked_first = judged(before, of)["line"]
    same_today = replace(
        before,
        declarations=tuple(replace(said, said_today=True) for said in before.declarations),
        answers={
            q.id: Answer.YES
            if any(said.kind in q.kinds for said in before.declarations)
            else Answer.NO
            for q in RULES.questions
        },
    )
    after = judged(confirmed(story, THIRD, *RULES.questions).case(THIRD), of)["line"]
    event(after.verdict.value)
    assert after == judged(same_today, of)["line"]
    # `ask_first` was lifted and nothing else: every other reason is there, date for date.
    others = tuple(r for r in asked_first.reasons if not r.rule_id.startswith("question:"))
    assert after.reasons == others
    assert after.earliest_on == asked_first.earliest_on
    if asked_first.verdict is not Verdict.ASK_FIRST:
        assert after.verdict is asked_first.verdict


@given(story=stories(), chosen=st.sets(st.sampled_from(RULES.questions)), of=lines)
def test_what_stands_stays_the_same_whichever_questions_are_confirmed_and_how_often(
    story, chosen, of
):
    def standing(visit):
        found = story.case(visit).declarations
        return sorted(
            {(d.kind, d.when.earliest, d.when.latest, tuple(sorted(d.areas)), d.still,
              tuple(sorted(d.details))) for d in found},
            key=repr,
        )  # fmt: skip

    before = standing(THIRD)
    confirmed(story, THIRD, *chosen)
    assert standing(THIRD) == before
    once = [i for i in story.items if i.kind == "declaration"]
    confirmed(story, THIRD, *chosen)
    assert [i for i in story.items if i.kind == "declaration"] == once
    # Also for the visit after, and for one at which nothing was said.
    assert standing(uuid4()) == before


def test_a_declaration_is_told_again_with_its_own_dates_and_when_it_was_first_told():
    story = Story().tell(
        FIRST,
        answers=[{"question": "new_medicine", "answer": "yes"}],
        declarations=[{"kind": "medicine", "details": ["antibiotic"], "still": False,
                       "when": {"on": "2026-04-20"}}],
    )  # fmt: skip
    (medicine,) = [q for q in EVERY if q.id == "new_medicine"]
    for visit in (SECOND, THIRD):
        confirmed(story, visit, medicine)
        told = [i.content for i in story.items if i.visit_id == visit]
        assert told[0] == {"question": "new_medicine", "answer": "yes"}
        assert (told[1]["earliest_on"], told[1]["latest_on"]) == ("2026-04-20", "2026-04-20")
        assert told[1]["still"] is False
        assert told[1]["told_at"] == (START + timedelta(microseconds=1)).isoformat()


def test_only_the_part_that_still_stands_is_told_again():
    story = Story().tell(FIRST, declarations=[{"kind": "sunburn", "areas": ["back", "lip"]}])
    story.tell(SECOND, declarations=[{"kind": "sunburn", "areas": ["face"], "still": False}])
    (sun,) = [q for q in EVERY if q.id == "sun"]
    told = [i.content for i in confirmed(story, THIRD, sun).items if i.visit_id == THIRD]
    assert [c.get("areas") for c in told] == [None, ["back"], ["face"]]


@pytest.mark.parametrize("answer", ["not_answered", None])
def test_what_was_never_answered_is_a_no_where_it_is_asked_every_time_and_refused_elsewhere(answer):
    story = Story()
    if answer:
        story.tell(FIRST, answers=[{"question": q.id, "answer": answer} for q in RULES.questions])
    for spoken in spoken_list(story.items, SECOND, RULES, RULES.questions):
        every = spoken.question.asked is Asked.EVERY_VISIT
        assert spoken.no_change is (Answer.NO if every else None)
    with pytest.raises(InvalidInput) as refused:
        unchanged(story.items, SECOND, RULES, ["sun", "allergies"])
    (error,) = refused.value.fields["errors"]
    assert (error["pointer"], error["code"]) == ("/no_change/1", "needs-an-answer")


def test_a_yes_of_which_nothing_is_on_record_never_becomes_a_no():
    story = Story().tell(FIRST, answers=[{"question": "isotretinoin", "answer": "yes"}])
    story.tell(SECOND, answers=[{"question": "isotretinoin", "answer": "not_answered"}])
    for visit in (SECOND, THIRD):
        with pytest.raises(InvalidInput):
            unchanged(story.items, visit, RULES, ["isotretinoin"])


def test_unknown_and_doubled_questions_are_pointed_at():
    with pytest.raises(InvalidInput) as refused:
        unchanged([], FIRST, RULES, ["sun", "weather", "sun"])
    found = [(e["pointer"], e["code"]) for e in refused.value.fields["errors"]]
    assert found == [("/no_change/1", "unknown-question"), ("/no_change/2", "doubled")]


def test_a_course_that_ended_three_months_ago_holds_the_wax_off_as_long_after_no_change():
    # AAD, "Isotretinoin: FAQs": no waxing during it and for 6 months after (trade-facts 7.02).
    story = Story().tell(
        FIRST,
        answers=[{"question": q.id, "answer": "no"} for q in RULES.questions],
        declarations=[{"kind": "isotretinoin", "still": False, "when": {"on": "2026-02-06"}}],
    )
    after = judged(confirmed(story, SECOND, *RULES.questions).case(SECOND), line())["line"]
    assert (after.verdict, after.earliest_on) == (Verdict.WAIT_UNTIL, date(2026, 8, 6))
