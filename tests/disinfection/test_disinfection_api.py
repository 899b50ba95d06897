"""Soak solutions and implements over HTTP: to the second, and what was done wrongly is kept."""

from datetime import timedelta

import pytest

from compliance.disinfection import tasks
from spa_ops.kernel import clock
from tests.world import HARBOR, LAKE, uid

KIT = f"kits/{uid('brow kit 2')}"


def mix(call, name="petra", concentrate="60", water="960", unit="mL", place=LAKE):
    return call(name).post(
        f"locations/{place}/solutions",
        {
            "product_id": str(uid("quat")),
            "container": "jar 1",
            "concentrate": {"amount": concentrate, "unit": unit},
            "water": {"amount": water, "unit": unit},
        },
    )


def step(call, kind, **said):
    done = call("petra").post(f"{KIT}/reprocessing", {"kind": kind, **said})
    assert done.status_code == 200, done.body
    return done.body


def soaked(call, now, seconds, solution):
    for i, kind in enumerate(("washed", "rinsed", "dried")):
        with clock.stopped_at(now + timedelta(seconds=i)):
            step(call, kind)
    begun = now + timedelta(seconds=10)
    with clock.stopped_at(begun):
        step(call, "immersed", agent_id=solution, fully_open=True)
    with clock.stopped_at(begun + timedelta(seconds=seconds)):
        step(call, "lifted")
        return call("petra").get(f"{KIT}/clearance").body["items"]


@pytest.mark.parametrize(("seconds", "cleared"), [(599, False), (600, True)])
def test_ten_minutes_are_ten_minutes_to_the_second(call, now, seconds, cleared):
    items = soaked(call, now, seconds, mix(call).body["id"])
    assert {i["is_cleared"] for i in items} == {cleared}
    if not cleared:
        assert {i["reason"] for i in items} == {"lifted_early"}


def test_the_whole_way_back_makes_a_kit_ready(call, now):
    soaked(call, now, 600, mix(call).body["id"])
    with clock.stopped_at(now + timedelta(minutes=12)):
        step(call, "rinsed")
        step(call, "dried")
        assert step(call, "stored", covered=True)["ready"] is True


def test_a_thing_added_restarts_the_time_of_everything_in_it(call, now):
    solution = mix(call).body["id"]
    for i, kind in enumerate(("washed", "rinsed", "dried")):
        with clock.stopped_at(now + timedelta(seconds=i)):
            step(call, kind)
    with clock.stopped_at(now + timedelta(seconds=10)):
        step(call, "immersed", agent_id=solution, fully_open=True)
    with clock.stopped_at(now + timedelta(minutes=6)):
        added = call("petra").post(f"solutions/{solution}/added", {"cleaned": True})
        assert added.status_code == 200
    with clock.stopped_at(now + timedelta(minutes=12)):
        seen = call("petra").get(f"{KIT}/clearance").body["items"][0]
        assert (seen["reason"], seen["seconds_left"]) == ("contact_running", 240)


def test_an_uncleaned_item_voids_the_bath(call, now):
    solution = mix(call).body["id"]
    call("petra").post(f"solutions/{solution}/added", {"cleaned": False})
    ended = call("petra").get(f"solutions/{solution}").body
    assert (ended["state"], ended["end_reason"]) == ("ended", "voided_by_uncleaned_item")


def test_the_window_is_the_strictest_of_label_board_and_house(call):
    # us-tx: fresh daily, 16 TAC 83.101(a)(3); the label alone would allow 14 days.
    made = mix(call).body
    assert made["discard_at"] == "2026-05-07T00:00:00.000000Z"  # 19:00 in Chicago
    assert [limit["kind"] for limit in made["limits"]] == ["at_closing", "days"]


def test_a_bath_that_runs_out_in_the_middle_of_a_soak_clears_nothing(call, now):
    solution = mix(call).body["id"]
    evening = now + timedelta(hours=6, minutes=52)  # 18:52, eight minutes before closing
    items = soaked(call, evening, 600, solution)
    assert {(i["is_cleared"], i["reason"]) for i in items} == {(False, "solution_ended")}


def test_the_sweep_ends_a_bath_once_at_the_instant_it_was_over(call, now):
    solution = mix(call).body["id"]
    with clock.stopped_at(now + timedelta(hours=9)):
        assert tasks.expire_solutions() >= 1
        assert tasks.expire_solutions() == 0
        ended = call("petra").get(f"solutions/{solution}").body
    assert (ended["end_reason"], ended["ended_at"]) == (
        "window_over",
        "2026-05-07T00:00:00.000000Z",
    )


@pytest.mark.parametrize(
    ("concentrate", "water", "unit", "pour"),
    [
        ("2", "32", "US fl oz", "ok"),  # 1 + 16; common practice check value, no source
        ("2", "34", "US fl oz", "weaker"),
        ("3", "32", "US fl oz", "over"),
        ("60", "960", "mL", "ok"),
    ],
)
def test_a_pour_is_judged_against_the_label(call, concentrate, water, unit, pour):
    made = mix(call, concentrate=concentrate, water=water, unit=unit).body
    assert made["pour"] == pour
    assert made["state"] == ("usable" if pour == "ok" else "ended")


def test_amounts_for_a_volume_come_with_the_cautions(call):
    found = call("petra").get(f"disinfectants/{uid('quat')}/amounts?amount=1020&unit=mL").body
    assert (found["concentrate_ml"], found["water_ml"]) == ("60.0", "960.0")
    assert "Water first" in found["caution"]
    for query in ("amount=nan&unit=mL", "amount=-1&unit=mL", "amount=1&unit=pint", ""):
        assert call("petra").get(f"disinfectants/{uid('quat')}/amounts?{query}").status_code == 422


def test_bad_input_is_refused_and_nothing_is_recorded(call):
    petra = call("petra")
    before = petra.get(KIT)["ETag"]
    for wrong in (
        {"kind": "immersed"},
        {"kind": "immersed", "agent_id": str(uid("nothing"))},
        {"kind": "washed", "at": "2036-01-01T00:00:00Z"},
        {"kind": "washed", "implement_ids": [str(uid("brow kit 1 tweezers"))]},
        {"kind": "boiled"},
    ):
        assert petra.post(f"{KIT}/reprocessing", wrong).status_code == 422
    assert petra.get(KIT)["ETag"] == before
    assert call("hana").get(KIT).status_code == 404
    assert call("hana").post(f"locations/{LAKE}/solutions", {}).status_code in {404, 422}
    assert mix(call, "hana", place=HARBOR).status_code == 201


def test_a_late_event_is_put_in_its_place(call, now):
    solution = mix(call).body["id"]
    for i, kind in enumerate(("washed", "dried")):
        with clock.stopped_at(now + timedelta(seconds=10 * i)):
            step(call, kind)
    with clock.stopped_at(now + timedelta(minutes=1)):
        step(call, "immersed", agent_id=solution, fully_open=True)
        assert call("petra").get(f"{KIT}/clearance").body["items"][0]["reason"] != "contact_running"
        # The rinse was forgotten on the screen, not at the sink.
        step(call, "rinsed", at=(now + timedelta(seconds=5)).isoformat())
        assert call("petra").get(f"{KIT}/clearance").body["items"][0]["reason"] == "contact_running"


def test_a_mis_tap_is_struck_out_stays_visible_and_is_derived_again(call, now):
    items = soaked(call, now, 599, mix(call).body["id"])
    assert {i["reason"] for i in items} == {"lifted_early"}
    events = call("petra").get(f"{KIT}/events").body["items"]
    lifted = [e for e in events if e["kind"] == "lifted"]
    with clock.stopped_at(now + timedelta(seconds=700)):
        for event in lifted:
            done = call("petra").post(
                f"implement-events/{event['id']}/strike-out", {"reason": "wrong kit"}
            )
            assert done.status_code == 200, done.body
        again = call("petra").post(
            f"implement-events/{lifted[0]['id']}/strike-out", {"reason": "wrong kit"}
        )
        assert again.body["type"] == "/problems/already-corrected"
        seen = call("petra").get(f"{KIT}/clearance").body["items"]
    assert {i["reason"] for i in seen} == {"contact_complete"}
    kept = call("petra").get(f"{KIT}/events").body["items"]
    assert [e["struck_because"] for e in kept if e["kind"] == "lifted"] == [
        "wrong kit",
        "wrong kit",
    ]
    assert (
        call("stranger")
        .post(f"implement-events/{lifted[0]['id']}/strike-out", {"reason": "x"})
        .status_code
        == 404
    )
