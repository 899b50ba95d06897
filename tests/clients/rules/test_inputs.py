"""What screening refuses to judge, with a pointer to each wrong place."""

from datetime import timedelta

import pytest

from clients.rules.cases import Answer
from clients.rules.dates import in_month
from clients.rules.engine import screen
from clients.rules.inputs import MOST_DECLARATIONS, MOST_LINES
from clients.rules.model import Verdict
from spa_ops.kernel.problems import InvalidInput
from tests.clients.rules.scenarios import ALL_NO, RULES, TODAY, line, said, screened, seen

DAY = timedelta(days=1)
LIGHT_PEEL = said("chemical_peel", TODAY - 3 * DAY, "face", details={"light"})


def refused(*things, answers=ALL_NO, **of_line):
    with pytest.raises(InvalidInput) as caught:
        screened(*things, answers=answers, **of_line)
    return {(error["pointer"], error["code"]) for error in caught.value.fields["errors"]}


def test_only_what_can_be_planned_may_lie_in_the_future():
    assert refused(said("reaction", TODAY + DAY)) == {("/declarations/0/when", "in-the-future")}
    assert refused(said("fever", TODAY + DAY), said("sunburn", in_month(2027, 1))) == {
        ("/declarations/0/when", "in-the-future"),
        ("/declarations/1/when", "in-the-future"),
    }
    assert screened(said("sunburn", in_month(2026, 8), "lip")).verdict is Verdict.WAIT_UNTIL


def test_unknown_words_are_named_with_their_place():
    assert refused(said("flu", TODAY, "elbow"), seen("scrub")) == {
        ("/declarations/0/kind", "unknown-kind"),
        ("/declarations/0/areas", "unknown-area"),
        ("/findings/0/code", "unknown-finding"),
    }
    assert refused(
        said("mole"), said("chemical_peel", details={"blue"}), seen("bruise", "elbow")
    ) == {
        ("/declarations/0/kind", "unknown-kind"),
        ("/declarations/1/details", "unknown-detail"),
        ("/findings/0/areas", "unknown-area"),
    }
    assert refused(answers={"star_sign": Answer.NO}) == {("/answers", "unknown-question")}
    assert refused(
        area="elbow",
        method="sorcery",
        flags=frozenset({"vip"}),
        ingredients=frozenset({"gold"}),
        met=frozenset({"unfit_skin", "nonsense"}),
    ) == {
        ("/lines/0/area", "unknown-area"),
        ("/lines/0/method", "unknown-method"),
        ("/lines/0/flags", "unknown-flag"),
        ("/lines/0/ingredients", "unknown-ingredient"),
        ("/lines/0/met", "unknown-liftable-rule"),
    }


def test_a_rule_that_nothing_lifts_cannot_be_called_met():
    for rule in ("unfit_skin", "isotretinoin_in_use", "light_peel", "allergic_before"):
        assert refused(met=frozenset({rule})) == {("/lines/0/met", "unknown-liftable-rule")}


def test_lines_need_keys_and_places_of_their_own():
    assert refused(lines=[line(), line()]) == {
        ("/lines/1/key", "doubled-key"),
        ("/lines/1/position", "doubled-position"),
    }
    assert screened(lines=[line(), line(key="other", on=TODAY + DAY)]).verdict is Verdict.PROCEED


def test_too_many_of_anything_is_refused_before_it_is_read():
    assert refused(*[said("flu")] * (MOST_DECLARATIONS + 1)) == {("/declarations", "too-many")}
    assert refused(*[seen("flu")] * (MOST_DECLARATIONS + 1)) == {("/findings", "too-many")}
    assert refused(lines=[line()] * (MOST_LINES + 1)) == {("/lines", "too-many")}
    assert screened(*[LIGHT_PEEL] * MOST_DECLARATIONS).verdict is Verdict.WAIT_UNTIL


def test_no_line_is_no_screening():
    assert (
        screen(rule_set=RULES, lines=[], answers={}, declarations=[], findings=[], today=TODAY)
        == {}
    )
