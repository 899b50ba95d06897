"""What of earlier consultations still counts today."""

from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

from hypothesis import given, settings
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from clients.rules.cases import Answer
from clients.rules.items import items_from
from clients.rules.told import KeptItem, Strike, case_from

RULES = shipped_rule_set()
TODAY = date(2026, 5, 6)
START = datetime(2026, 5, 6, 15, 0, tzinfo=UTC)
FIRST, SECOND, THIRD = uuid4(), uuid4(), uuid4()


class Story:
    """Items in the order in which they are told."""

    def __init__(self):
        self.items = []

    def tell(self, visit, **given):
        for item in items_from(rule_set=RULES, today=TODAY, **given):
            self.add(visit, item.kind, item.content)
        return self

    def add(self, visit, kind, content):
        at = START + timedelta(microseconds=len(self.items))
        self.items.append(
            KeptItem(id=uuid4(), visit_id=visit, kind=kind, content=content, recorded_at=at,
                     recorded_by=None)
        )  # fmt: skip

    def case(self, visit):
        return case_from(self.items, visit, RULES, TODAY)


def declared(visit, *declarations):
    return Story().tell(visit, declarations=list(declarations))


def told(case):
    return {(d.kind, d.areas, d.details) for d in case.declarations}


def test_answers_and_findings_count_for_their_own_visit_only():
    story = Story().tell(
        FIRST,
        answers=[{"question": "isotretinoin", "answer": "no"}],
        findings=[{"code": "sunburn", "areas": ["lip"]}],
    )
    assert story.case(FIRST).answers == {"isotretinoin": Answer.NO}
    assert len(story.case(FIRST).findings) == 1
    assert story.case(SECOND).answers == {}
    assert story.case(SECOND).findings == ()


def test_the_newest_answer_of_a_visit_is_the_answer():
    story = Story().tell(FIRST, answers=[{"question": "sun", "answer": "no"}])
    story.tell(FIRST, answers=[{"question": "sun", "answer": "yes"}])
    assert story.case(FIRST).answers == {"sun": Answer.YES}


def test_a_declaration_stays_until_something_newer_of_its_kind_is_told_at_a_later_visit():
    story = declared(FIRST, {"kind": "isotretinoin", "still": True})
    assert [d.still for d in story.case(SECOND).declarations] == [True]
    story.tell(
        SECOND,
        declarations=[{"kind": "isotretinoin", "still": False, "when": {"on": "2026-05-01"}}],
    )
    assert [d.still for d in story.case(SECOND).declarations] == [False]
    # For the visit in which it was told, it still counts: nothing of a visit is replaced.
    assert len(story.case(FIRST).declarations) == 2


def test_all_declarations_of_one_visit_count():
    story = declared(FIRST, {"kind": "cold_sore", "areas": ["lip"]})
    story.tell(FIRST, declarations=[{"kind": "cold_sore", "areas": ["lip"], "still": False}])
    assert len(story.case(FIRST).declarations) == 2


def test_a_newer_declaration_replaces_only_the_area_it_names_with_all_that_lies_in_it():
    story = declared(
        FIRST, {"kind": "sunburn", "areas": ["back", "lip"]}, {"kind": "sunburn", "areas": ["lip"]}
    )
    story.tell(SECOND, declarations=[{"kind": "sunburn", "areas": ["face"], "still": False}])
    assert told(story.case(SECOND)) == {
        ("sunburn", frozenset({"back"}), frozenset()),
        ("sunburn", frozenset({"face"}), frozenset()),
    }


def test_a_named_area_does_not_replace_everywhere():
    story = declared(FIRST, {"kind": "sunburn"})
    story.tell(SECOND, declarations=[{"kind": "sunburn", "areas": ["lip"], "still": False}])
    assert len(story.case(SECOND).declarations) == 2
    story.tell(THIRD, declarations=[{"kind": "sunburn", "still": False}])
    assert len(story.case(THIRD).declarations) == 1


def test_a_new_medicine_or_allergy_does_not_make_the_old_one_forgotten():
    story = declared(
        FIRST,
        {"kind": "medicine", "details": ["blood_thinner"], "still": True},
        {"kind": "allergy", "details": ["rosin", "latex"]},
    )
    story.tell(
        SECOND,
        declarations=[
            {"kind": "medicine", "details": ["antibiotic"], "still": True},
            {"kind": "allergy", "details": ["latex"]},
        ],
    )
    everywhere = frozenset()
    assert told(story.case(SECOND)) == {
        ("medicine", everywhere, frozenset({"blood_thinner"})),
        ("medicine", everywhere, frozenset({"antibiotic"})),
        ("allergy", everywhere, frozenset({"rosin"})),
        ("allergy", everywhere, frozenset({"latex"})),
    }


def test_what_was_struck_out_does_not_count():
    story = declared(FIRST, {"kind": "fever", "still": True})
    (item,) = story.items
    strike = Strike(id=uuid4(), recorded_at=START, recorded_by=None, reason="wrong client")
    struck = KeptItem(
        id=item.id, visit_id=FIRST, kind=item.kind, content=item.content,
        recorded_at=item.recorded_at, recorded_by=None, struck=strike,
    )  # fmt: skip
    assert case_from([struck], FIRST, RULES, TODAY).declarations == ()


def test_a_condition_is_met_for_one_line_of_one_visit():
    story, line = Story(), uuid4()
    story.add(FIRST, "met", {"line_id": str(line), "rule_id": "sunburn", "release": None})
    assert story.case(FIRST).met == {line: frozenset({"sunburn"})}
    assert story.case(SECOND).met == {}


def test_told_where_it_is_tomorrow_already_it_has_happened_here():
    story = declared(FIRST, {"kind": "reaction", "when": {"on": "2026-05-06"}})
    yesterday = TODAY - timedelta(days=1)
    (said,) = case_from(story.items, SECOND, RULES, yesterday).declarations
    assert said.when.latest == yesterday


def test_what_is_planned_stays_planned():
    peel = {"kind": "chemical_peel", "areas": ["face"], "when": {"on": "2026-05-20"}}
    (kept,) = declared(FIRST, peel).case(SECOND).declarations
    assert (kept.when.earliest, kept.when.latest) == (date(2026, 5, 20), date(2026, 5, 20))


AREAS = st.lists(st.sampled_from(["face", "lip", "chin", "back", "leg"]), max_size=3, unique=True)
DETAILS = st.lists(
    st.sampled_from(["blood_thinner", "antibiotic", "hormone"]), max_size=2, unique=True
)


@st.composite
def declarations(draw):
    if draw(st.booleans()):
        return {"kind": "sunburn", "areas": draw(AREAS)}
    return {"kind": "medicine", "areas": draw(AREAS), "details": draw(DETAILS)}


def points(said):
    """Every place and form that a declaration may be about."""
    kind = RULES.kinds[said.kind]
    areas = RULES.tree.all_within(said.areas) or frozenset(RULES.tree.touching)
    return {(said.kind, a, d) for a in areas for d in said.details or kind.details or {""}}


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from([FIRST, SECOND, THIRD]), declarations()), max_size=6))
def test_nothing_is_forgotten_but_what_a_later_visit_spoke_of(story_told):
    story = Story()
    for visit, said in sorted(story_told, key=lambda one: [FIRST, SECOND, THIRD].index(one[0])):
        story.tell(visit, declarations=[said])
    every = [d for v in (FIRST, SECOND, THIRD) for d in _alone(story, v)]
    still = story.case(THIRD).declarations
    # Whatever was ever told about a place and form is either still counted, or told anew.
    assert {p for d in every for p in points(d)} == {p for d in still for p in points(d)}


def _alone(story, visit):
    only = [item for item in story.items if item.visit_id == visit]
    return case_from(only, visit, RULES, TODAY).declarations
