"""The work record over HTTP: one tap with gloves on, a draft to confirm, passes with their flaw."""

from datetime import timedelta

import pytest

from spa_ops.kernel import clock
from tests.rooms.test_check_lists_api import evidence
from tests.rooms.test_equipment_api import FILLED, add, log
from tests.services.day import GLOVED, RECORD, WASHED, consult, in_room
from tests.world import LAKE, uid


def started(call, now):
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    begun = call("petra").post(f"{path}/start", GLOVED)
    assert begun.status_code == 200, begun.body
    return path, visit


def records(call):
    found = call("petra").get(f"clients/{uid('cora')}/treatments").body["items"]
    return [one["record"] for one in found[0]["records"]]


def test_with_gloves_on_finishing_is_one_tap_and_the_record_is_owed(call, now):
    path, _ = started(call, now)
    assert not call("petra").get(f"{path}/work-record-draft").body["owed"]
    done_at = now + timedelta(minutes=15)
    with clock.stopped_at(done_at):
        done = call("petra").post(f"{path}/finish", {"gloves_on": True})
        assert (done.status_code, done.body["lines"][0]["state"]) == (200, "finished")
        assert call("petra").get(f"locations/{LAKE}/hand-over").body["records_owed"] == 1
    (finished,) = evidence(call, "line.finished")
    assert finished["confirmed"] == []
    with clock.stopped_at(done_at + timedelta(minutes=5)):
        draft = call("petra").get(f"{path}/work-record-draft").body
        assert (draft["owed"], draft["happened_at"]) == (True, "2026-05-06T17:15:00.000000Z")
        said = draft["record"] | {"happened_at": draft["happened_at"], "client_content": True}
        refused = call("petra").post(f"{path}/work-records", said)
        assert (refused.status_code, refused.body["type"]) == (409, "/problems/not-confirmed")
        kept = call("petra").post(f"{path}/work-records", said | WASHED)
        assert kept.status_code == 200, kept.body
        assert call("petra").get(f"locations/{LAKE}/hand-over").body["records_owed"] == 0
        # A correction needs no second washing.
        assert call("petra").post(f"{path}/work-records", RECORD).status_code == 200
    first, _ = evidence(call, "line.work_recorded")
    assert first["happened_at"] == "2026-05-06T17:15:00.000000Z"
    assert first["confirmed"] == ["gloves_off", "hands_washed"]
    assert records(call)[0]["happened_at"] == "2026-05-06T17:15:00.000000Z"


def test_a_draft_is_the_set_up_list_of_that_line_and_the_wax_in_the_pot(call, now):
    pot = add(call)
    log(call, pot, **FILLED)
    log(call, pot, "measured", degrees="58", unit="C")
    path, visit = started(call, now)
    draft = call("petra").get(f"{path}/work-record-draft").body
    assert draft["asked_with_gloves_on"] == ["start", "blood", "stop", "finish"]
    assert (draft["record"]["method"], draft["record"]["areas"]) == ("hard_wax", ["brow"])
    listed = {
        one["code"]: one["count"]
        for one in call("petra").get(f"visits/{visit['id']}/set-up-list").body["items"]
    }
    assert draft["record"]["applicators"] == listed["wax_applicator"]
    assert draft["record"]["sections"] == 4
    assert "invented hard wax, lot 7" in draft["record"]["products"]
    assert draft["most_passes"] == 2
    # That a draft was shown is a recorded read, and nothing of it is kept.
    assert evidence(call, "line.work_recorded") == []
    assert call("freya").get(f"{path}/work-record-draft").status_code == 403


def test_too_many_passes_are_recorded_with_what_to_do(call, now):
    path, _ = started(call, now)
    said = RECORD | {"passes": [{"section": "left brow", "passes": 3}, {"section": "right brow", "passes": 2}]}  # fmt: skip
    done = call("petra").post(f"{path}/finish", {"record": said, **WASHED})
    assert done.status_code == 200, done.body
    (facts,) = evidence(call, "line.work_recorded")
    assert facts["flaws"] == ["too_many_passes"]
    (kept,) = records(call)
    assert kept["sections_passed_too_often"] == ["left brow"]
    assert "tweezers" in kept["flaws"]["too_many_passes"]


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({}, "/record"),
        ({"gloves_on": False}, "/record"),
        ({"record": RECORD | {"passes": [{"section": "brow", "passes": 0}]}}, "/record/passes/0/passes"),
        ({"record": RECORD | {"passes": [{"section": "brow"}]}}, "/record/passes/0/passes"),
    ],
)  # fmt: skip
def test_a_finish_without_a_record_is_only_for_gloves_on(call, now, given, pointer):
    path, visit = started(call, now)
    refused = call("petra").post(f"{path}/finish", {**WASHED, **given})
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["state"] == "started"


@pytest.mark.parametrize("minutes", [-1, 30])
def test_a_record_is_of_a_time_between_start_and_now(call, now, minutes):
    path, _ = started(call, now)
    with clock.stopped_at(now + timedelta(minutes=20)):
        call("petra").post(f"{path}/finish", {"gloves_on": True})
        at = (now + timedelta(minutes=minutes)).isoformat()
        refused = call("petra").post(f"{path}/work-records", RECORD | WASHED | {"happened_at": at})
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/happened_at")
