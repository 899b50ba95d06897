"""The incident guides against what is published, and the laws of which steps are asked."""

from copy import deepcopy
from datetime import UTC, datetime, timedelta

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from services.incident_guide_files import SHIPPED, guide_book_of, shipped_guides
from services.rules.incidents import Hurt, IncidentKind, call_backs_due, steps_for

TREE = shipped_rule_set().tree
GUIDES = {guide.kind: guide for guide in shipped_guides().guides}
DATA = yaml.safe_load((SHIPPED / "guides.yaml").read_text(encoding="utf-8"))


def asked(kind, **case):
    return {a.step.code: a for a in steps_for(GUIDES[IncidentKind(kind)], tree=TREE, **case)}


def text_of(kind):
    guide = GUIDES[IncidentKind(kind)]
    return " ".join([*(s.text for s in guide.steps), *guide.never]).lower()


@pytest.mark.parametrize(
    ("kind", "code", "minutes"),
    [
        # ANZCOR guideline 9.1.3, as read: cool running water for at least 20 minutes.
        ("burn", "cool_running_water", 20),
        # From memory, not checked: rinse an eye for at least 15 minutes.
        ("eye_contact", "rinse_eye", 15),
    ],
)
def test_how_long(kind, code, minutes):
    step = asked(kind)[code]
    assert (step.step.minutes, step.required) == (minutes, True)
    assert f"{minutes} minutes" in step.step.text


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        # ANZCOR guideline 9.1.3: no ice, cream or oil; useful up to 3 h later; cover loosely.
        *(("burn", word) for word in ("ice", "cream", "oil", "3 hours", "cover it loosely")),
        # 19 NYCRR 160.19: no styptic stick. Montana ARM 24.121: antiseptic, sterile cover, double bag.
        *(("blood_exposure", w) for w in ("styptic", "antiseptic", "sterile cover", "double-bag")),
        # Perth (Ontario) health unit, exposure page: wash, flush eyes, see a doctor at once.
        *(("blood_exposure", word) for word in ("wash", "flush eyes", "doctor at once")),
        # Common practice, no source.
        ("skin_lifted", "never wax it again"),
        # From memory, not checked.
        ("eye_contact", "lenses"),
        # Secondary notes on FD&C s. 605: the list of what is serious; the company on the label.
        *(("reaction", w) for w in ("infection", "hospital stay", "hair loss", "product's label")),
    ],
)
def test_what_is_said(kind, word):
    assert word in text_of(kind)


@pytest.mark.parametrize(
    ("case", "required"),
    [
        # Burns triage page, as read: care over 3 cm, or on face, hands or groin.
        ({"millimetres": 30}, False),
        ({"millimetres": 31}, True),
        *(
            ({"area": a}, True)
            for a in ("face", "lip", "brow", "hand", "fingers", "bikini", "body")
        ),
        *(({"area": a}, False) for a in ("leg", "back", "forearm", "neck")),
        ({"area": "leg", "millimetres": 31}, True),
        ({}, False),
    ],
)
def test_when_a_burn_needs_care(case, required):
    assert asked("burn", **case)["medical_care"].required is required


def test_the_emergency_line_names_the_signs():
    # From memory, not checked.
    for sign in ("breathing", "swollen face or tongue", "collapse", "emergency number now"):
        assert sign in shipped_guides().emergency


def test_a_team_member_is_offered_an_evaluation_and_a_client_is_not():
    # 29 CFR 1910.1030 (secondary note) and Perth health unit for blood; common practice elsewhere.
    for kind in IncidentKind:
        assert asked(kind, hurt=Hurt.TEAM_MEMBER)["evaluation_offered"].required
        assert "evaluation_offered" not in asked(kind, hurt=Hurt.CLIENT)


@given(
    kind=st.sampled_from(list(IncidentKind)),
    hurt=st.none() | st.sampled_from(list(Hurt)),
    area=st.none() | st.sampled_from(sorted(TREE.touching)),
    millimetres=st.none() | st.integers(1, 2000),
)
def test_knowing_more_never_makes_a_step_optional(kind, hurt, area, millimetres):
    told = asked(kind, hurt=hurt, area=area, millimetres=millimetres)
    for code, one in asked(kind, hurt=hurt).items():
        assert told[code].required >= one.required
    assert list(told) == [s.code for s in GUIDES[kind].steps if s.code in told]


@given(st.datetimes(datetime(2020, 1, 1), datetime(2040, 1, 1), timezones=st.just(UTC)))
def test_call_backs_are_one_and_three_days_after(at):
    # House policy.
    due = call_backs_due(at, shipped_guides().call_back_hours)
    assert [d - at for d in due] == [timedelta(days=1), timedelta(days=3)]


def test_every_kind_has_a_guide_and_every_word_of_an_area_is_known():
    assert GUIDES.keys() == set(IncidentKind)
    for guide in GUIDES.values():
        for step in guide.steps:
            assert step.required_areas <= TREE.touching.keys()


def test_a_guide_of_another_shape_is_refused():
    wrong = deepcopy(DATA)
    del wrong["guides"]["burn"]["steps"][0]["sources"]
    with pytest.raises(jsonschema.ValidationError):
        guide_book_of(wrong)
    wrong = deepcopy(DATA)
    del wrong["guides"]["fall"]
    with pytest.raises(jsonschema.ValidationError):
        guide_book_of(wrong)
    wrong = deepcopy(DATA)
    wrong["guides"]["fall"]["steps"] *= 2
    with pytest.raises(ValueError, match="twice"):
        guide_book_of(wrong)
