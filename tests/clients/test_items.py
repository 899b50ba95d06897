"""What a consultation brings: checked before it is kept, with a pointer to each wrong place."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clients.rule_files import shipped_rule_set
from clients.rules.cases import Declaration, Finding
from clients.rules.dates import DateRange, exactly
from clients.rules.items import declaration_from, finding_from, items_from
from spa_ops.kernel.problems import InvalidInput

TODAY = date(2026, 5, 6)


def kept(**given):
    return items_from(rule_set=shipped_rule_set(), today=TODAY, **given)


def refused(**given):
    with pytest.raises(InvalidInput) as caught:
        kept(**given)
    return [(e["pointer"], e["code"]) for e in caught.value.fields["errors"]]


def days(when, kind="chemical_peel"):
    (item,) = kept(declarations=[{"kind": kind, "when": when}])
    return declaration_from(item.content).when


def test_what_is_kept_comes_back_as_screening_takes_it():
    items = kept(
        answers=[{"question": "isotretinoin", "answer": "no"}],
        declarations=[
            {
                "kind": "chemical_peel",
                "areas": ["lip", "face", "lip"],
                "when": {"on": "2026-04-30"},
                "details": ["light"],
            }
        ],
        findings=[{"code": "hair_length", "areas": ["brow"], "millimetres": "3.50"}],
    )
    assert [i.kind for i in items] == ["answer", "declaration", "finding"]
    assert items[0].content == {"question": "isotretinoin", "answer": "no"}
    assert declaration_from(items[1].content) == Declaration(
        kind="chemical_peel",
        when=exactly(date(2026, 4, 30)),
        areas=frozenset({"lip", "face"}),
        details=frozenset({"light"}),
    )
    assert items[1].content["when"] == {"on": "2026-04-30"}
    assert finding_from(items[2].content) == Finding(
        code="hair_length", areas=frozenset({"brow"}), millimetres=Decimal("3.5")
    )


@pytest.mark.parametrize(
    ("when", "earliest", "latest"),
    [
        # Nobody said: a peel may also be one to come, so the worst case is every day.
        (None, date.min, date.max),
        ({}, date.min, date.max),
        ({"planned": False}, date.min, TODAY),
        ({"planned": True}, TODAY, date.max),
        ({"on": "2026-05-20"}, date(2026, 5, 20), date(2026, 5, 20)),
        ({"on": date(2026, 4, 1)}, date(2026, 4, 1), date(2026, 4, 1)),
        ({"month": "2026-05"}, date(2026, 5, 1), date(2026, 5, 31)),
        ({"month": "2026-05", "planned": False}, date(2026, 5, 1), TODAY),
        ({"month": "2026-05", "planned": True}, TODAY, date(2026, 5, 31)),
        ({"month": "2024-02"}, date(2024, 2, 1), date(2024, 2, 29)),
        ({"year": 2025}, date(2025, 1, 1), date(2025, 12, 31)),
        ({"about_weeks_ago": 4}, TODAY - timedelta(weeks=5), TODAY - timedelta(weeks=3)),
        ({"about_days_ago": 0}, TODAY - timedelta(days=1), TODAY),
        ({"about_months_ago": 2}, date(2026, 2, 6), date(2026, 4, 6)),
    ],
)
def test_a_time_as_a_client_says_it_means_these_days(when, earliest, latest):
    assert days(when) == DateRange(earliest=earliest, latest=latest)


@pytest.mark.parametrize(
    ("when", "latest"),
    [(None, TODAY), ({"month": "2026-05"}, TODAY), ({"year": 2026}, TODAY)],
)
def test_what_cannot_be_planned_was_at_the_latest_today(when, latest):
    assert days(when, "reaction").latest == latest


@pytest.mark.parametrize(
    ("declaration", "wrong"),
    [
        ({"kind": "chemical_pele"}, ("/kind", "unknown-kind")),
        ({"kind": "mole"}, ("/kind", "unknown-kind")),  # seen, never told
        ({}, ("/kind", "required")),
        ({"kind": 7}, ("/kind", "invalid")),
        ({"kind": "sunburn", "area": ["lip"]}, ("/area", "unknown")),
        ({"kind": "sunburn", "areas": ["lips"]}, ("/areas", "unknown-area")),
        ({"kind": "sunburn", "areas": "lip"}, ("/areas", "invalid")),
        ({"kind": "chemical_peel", "details": ["mild"]}, ("/details", "unknown-detail")),
        ({"kind": "reaction", "when": {"on": "2026-05-07"}}, ("/when", "in-the-future")),
        ({"kind": "reaction", "when": {"year": 2027}}, ("/when", "in-the-future")),
        ({"kind": "reaction", "when": {"planned": True}}, ("/when/planned", "in-the-future")),
        (
            {"kind": "chemical_peel", "when": {"on": "2026-05-05", "planned": True}},
            ("/when", "in-the-past"),
        ),
        ({"kind": "chemical_peel", "when": {"on": "2026-02-30"}}, ("/when/on", "invalid")),
        ({"kind": "chemical_peel", "when": {"on": "20260230"}}, ("/when/on", "invalid")),
        ({"kind": "chemical_peel", "when": {"on": "1026-02-03"}}, ("/when/on", "invalid")),
        ({"kind": "chemical_peel", "when": {"month": "2026-13"}}, ("/when/month", "invalid")),
        ({"kind": "chemical_peel", "when": {"month": "0000-01"}}, ("/when/month", "invalid")),
        ({"kind": "chemical_peel", "when": {"year": "2026"}}, ("/when/year", "invalid")),
        (
            {"kind": "chemical_peel", "when": {"about_days_ago": -1}},
            ("/when/about_days_ago", "invalid"),
        ),
        (
            {"kind": "chemical_peel", "when": {"on": "2026-05-01", "year": 2026}},
            ("/when/year", "doubled"),
        ),
        ({"kind": "chemical_peel", "when": {"onn": "2026-05-01"}}, ("/when/onn", "unknown")),
        ({"kind": "chemical_peel", "when": "May"}, ("/when", "invalid")),
        ({"kind": "chemical_peel", "still": False}, ("/still", "does-not-last")),
        ({"kind": "fever", "still": "no"}, ("/still", "invalid")),
    ],
)
def test_a_wrong_declaration_is_named_by_its_pointer(declaration, wrong):
    pointer, code = wrong
    good = {"kind": "fever"}
    assert refused(declarations=[good, declaration]) == [(f"/declarations/1{pointer}", code)]


def test_wrong_answers_and_findings_are_all_named_at_once():
    found = refused(
        answers=[
            {"question": "isotretinoin", "answer": "no"},
            {"question": "isotretinoin", "answer": "yes"},
            {"question": "weather", "answer": "no"},
            {"question": "sun", "answer": "maybe"},
            "sun: no",
        ],
        findings=[
            {"code": "isotretinoin"},  # told, never seen
            {"code": "hair_length", "millimetres": "-1"},
            {"code": "hair_length", "millimetres": "NaN"},
            {"code": "hair_length", "millimetres": True},
            {"code": "sunburn", "areas": ["moon"]},
        ],
    )
    assert found == [
        ("/answers/2/question", "unknown-question"),
        ("/answers/3/answer", "invalid"),
        ("/answers/4", "invalid"),
        ("/findings/0/code", "unknown-finding"),
        ("/findings/1/millimetres", "invalid"),
        ("/findings/2/millimetres", "invalid"),
        ("/findings/3/millimetres", "invalid"),
        ("/findings/4/areas", "unknown-area"),
        ("/answers/1/question", "doubled"),
    ]


def test_too_many_are_refused_unread():
    assert refused(findings=[{"code": "fever"}] * 501) == [("/findings", "too-many")]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip
FIELDS = st.sampled_from(
    ["kind", "areas", "when", "still", "details", "code", "millimetres", "question", "answer"]
)


@settings(deadline=None)
@given(*[st.lists(st.dictionaries(FIELDS, JSON, max_size=5) | JSON, max_size=3)] * 3)
def test_whatever_is_sent_is_kept_or_refused_by_pointer(answers, declarations, findings):
    try:
        items = kept(answers=answers, declarations=declarations, findings=findings)
    except InvalidInput as problem:
        for error in problem.fields["errors"]:
            assert error["pointer"].split("/")[1] in {"answers", "declarations", "findings"}
    else:
        assert len(items) == len(answers) + len(declarations) + len(findings)
