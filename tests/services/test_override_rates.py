"""How often a rule stands and is overridden, by the last decision of each line; counts and no client."""

import pytest

from tests.services.day import all_no, consult, in_room
from tests.world import HARBOR, LAKE

RATES = f"locations/{LAKE}/override-rates"
PEEL = {
    "kind": "chemical_peel",
    "details": ["light"],
    "areas": ["chin"],
    "when": {"on": "2026-05-01"},
}


def rates(call, query=""):
    found = call("lena").get(f"{RATES}{query}")
    assert found.status_code == 200, found.body
    return {
        r["rule_id"]: (r["stood"], r["overridden"], r["basis_points"]) for r in found.body["rules"]
    }


def peeled(call, now):
    visit = in_room(call, now)
    answers = all_no(skin_procedures="yes")
    return consult(call, visit, answers=answers, declarations=[PEEL])["lines"][0]


def test_with_nothing_screened_there_is_nothing_to_count(call):
    assert call("lena").get(RATES).body["rules"] == []


def test_a_rule_that_stands_counts_once_and_as_overridden_once_it_is(call, now):
    line = peeled(call, now)
    assert line["verdict"] == "wait_until"
    assert rates(call) == {"light_peel": (1, 0, 0)}
    done = call("petra").post(f"lines/{line['id']}/override", {"reason": "the brow was not peeled"})
    assert done.status_code == 200, done.body
    assert rates(call) == {"light_peel": (1, 1, 10_000)}
    assert rates(call, "?from=2026-05-06&to=2026-05-06") == {"light_peel": (1, 1, 10_000)}
    assert rates(call, "?from=2026-05-07&to=2026-05-07") == {}


def test_what_was_answered_in_the_end_stood_in_nobodys_way(call, now):
    visit = in_room(call, now)
    consult(call, visit, answers=all_no()[:-1])
    assert [rule.partition(":")[0] for rule in rates(call)] == ["question"]
    consult(call, visit)
    assert rates(call) == {}


@pytest.mark.parametrize(
    "query", ["?from=2026-05-07&to=2026-05-06", "?from=2026-01-01&to=2026-05-06", "?to=0001-01-01"]
)
def test_a_period_that_makes_no_sense_or_is_too_long_is_refused(call, query):
    assert call("lena").get(RATES + query).status_code == 422


def test_leads_and_owners_only_and_of_their_own_place(call):
    assert [call(who).get(RATES).status_code for who in ("petra", "freya", "olga")] == [
        403,
        403,
        200,
    ]
    assert call("lena").get(f"locations/{HARBOR}/override-rates").status_code == 404
    assert call("stranger").get(RATES).status_code == 404
