"""What the front desk can find out by searching: whether and from when, never what a client takes or has."""

from datetime import date

import pytest

from services.rules.desk_words import outcome_for
from spa_ops.kernel.actor import Role
from tests.services.day import GLOVED, all_no, consult, in_room
from tests.services.test_availability import found, pick
from tests.world import uid

LATER = date(2026, 6, 1)


@pytest.mark.parametrize(
    ("verdict", "earliest_on", "heard"),
    [
        ("", None, ""),
        ("proceed", None, "proceed"),
        ("proceed_with_care", None, "proceed"),
        ("ask_first", None, "ask_first"),
        ("patch_test_first", None, "patch_test_first"),
        ("wait_until", LATER, "wait_until"),
        ("medical_release_first", LATER, "wait_until"),
        ("medical_release_first", None, "ask_first"),
        ("do_not_treat", None, "ask_first"),
    ],
)
def test_the_desk_hears_a_date_or_to_ask(verdict, earliest_on, heard):
    assert outcome_for(Role.FRONT_DESK, verdict, earliest_on) == heard
    for role in (Role.PRACTITIONER, Role.LEAD, Role.OWNER):
        assert outcome_for(role, verdict, earliest_on) == verdict


def test_trying_one_service_after_the_other_tells_the_desk_nothing(call, now):
    visit = in_room(call, now)
    consult(
        call, visit, answers=all_no(isotretinoin="yes"),
        declarations=[{"kind": "isotretinoin", "still": True}],
    )  # fmt: skip
    heard = {}
    for who in ("freya", "lena"):
        words = set()
        for service in ("brow wax", "lip wax", "full leg wax", "light peel", "facial"):
            given = found(call, now, pick(service), by=who)
            words |= {s["verdict"] for s in given["screening"]}
            assert "isotretinoin" not in str(given)
        heard[who] = words
    assert "do_not_treat" in heard["lena"]
    assert heard["freya"] <= {"", "proceed", "ask_first", "wait_until"}


def test_the_desk_sees_that_there_is_blood_as_long_as_there_is_and_nothing_else_of_it(call, now):
    # Whoever goes in to help or to turn over has to know, and the desk may be the one; an older rule
    # of a state asks for nothing more than that work stops and first aid is given (Mich. R 339.6039).
    visit = in_room(call, now)
    consult(call, visit)
    line = visit["lines"][0]["id"]
    assert call("petra").post(f"lines/{line}/start", GLOVED).status_code == 200
    said = {"stopped": True, "first_aid": True, "fresh_gloves": True, "waste_bagged": True}
    assert call("petra").post(f"lines/{line}/blood-seen", said).status_code == 200
    seen = call("freya").get(f"visits/{visit['id']}")
    assert seen.body["lines"][0]["bleeding"] is True
    assert {k for k in seen.body["lines"][0] if "blood" in k or "aid" in k} == set()
    assert call("petra").post(f"lines/{line}/bleeding-stopped").status_code == 200
    seen = call("freya").get(f"visits/{visit['id']}")
    assert seen.body["lines"][0]["bleeding"] is False
    assert b"blood" not in seen.content and str(uid("cora")) in str(seen.body)
