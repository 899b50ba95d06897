"""Sterilisers over HTTP: loads, integrators, spore tests, recalls and their way back."""

from datetime import timedelta

import pytest

from compliance.disinfection import actions, tasks
from compliance.disinfection.rules.reprocessing import ImplementClass
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from tests.clients.test_api import entries
from tests.world import BUSINESS, HARBOR, LAKE, uid

KIT, LANCET = uid("lance kit"), uid("lance kit lancet")
STEAM = {"name": "wrapped", "temperature": {"amount": "250", "unit": "F"}, "minutes": "30"}
REACHED = {"temperature": {"amount": "121.5", "unit": "C"}, "minutes": "31"}


@pytest.fixture(autouse=True)
def lance_kit(db, now):
    system = system_actor(BUSINESS)
    actions.add_kit(
        actor=system, now=now, id=KIT, location_id=LAKE, name="lance kit", kind="facial"
    )
    actions.add_implement(
        actor=system, now=now, kit_id=KIT, id=LANCET, tag="lancet 1", name="lancet",
        kind=ImplementClass.MUST_BE_STERILISED,
    )  # fmt: skip


def ok(answer, status=200):
    assert answer.status_code == status, answer.body
    return answer.body


def add(call, **over):
    given = {"name": "steam 1", "method": "steam", "programmes": [STEAM]} | over
    return ok(call("lena").post(f"locations/{LAKE}/sterilisers", given), 201)


def step(call, kind, **said):
    return ok(call("petra").post(f"kits/{KIT}/reprocessing", {"kind": kind, **said}))


def packed(call):
    for kind in ("washed", "rinsed", "dried", "packed"):
        step(call, kind)


def start(call, steriliser, **over):
    given = {"programme": "wrapped", "pouches": [{"pouch": "A1", "implement_ids": [str(LANCET)]}]}
    return ok(call("petra").post(f"sterilisers/{steriliser['id']}/loads", given | over), 201)


def finish(call, load, **over):
    return ok(call("petra").post(f"steriliser-loads/{load['id']}/finish", REACHED | over))


def integrator(call, load, result="passed", **more):
    given = {"result": result, "integrator_class": 5, "lot": "INV-5", **more}
    return ok(call("petra").post(f"steriliser-loads/{load['id']}/integrator", given))


def through(call, steriliser, result="passed"):
    packed(call)
    load = start(call, steriliser)
    finish(call, load)
    return integrator(call, load, result)


def lancet(call):
    (found,) = call("petra").get(f"kits/{KIT}/clearance").body["items"]
    return found


def test(call, steriliser, result=None, **more):
    taken = ok(call("petra").post(f"sterilisers/{steriliser['id']}/spore-tests", {"lot": "INV-B1", **more}), 201)  # fmt: skip
    if result is None:
        return taken
    return ok(call("petra").post(f"spore-tests/{taken['id']}/result", {"result": result}))


test.__test__ = False


def standing(call, steriliser):
    return call("petra").get(f"sterilisers/{steriliser['id']}/standing").body


def load_of(call, load):
    return call("petra").get(f"steriliser-loads/{load['id']}").body


def test_a_released_load_makes_ready_what_must_be_sterilised(call, now):
    steriliser = add(call)
    assert steriliser["programmes"][0] == {
        "name": "wrapped", "celsius": "121.11", "minutes": "30", "kilopascals": None,
    }  # fmt: skip
    assert lancet(call)["reason"] == "clean_next"
    packed(call)
    assert lancet(call)["reason"] == "sterilise_next"
    load = start(call, steriliser)
    assert (load["number"], load["state"]) == (1, "running")
    assert load["pouches"] == [{"pouch": "A1", "implement_ids": [str(LANCET)]}]
    assert lancet(call)["reason"] == "release_next"
    finish(call, load)
    assert not lancet(call)["is_cleared"]
    released = integrator(call, load)
    assert (released["state"], released["faults"]) == ("released", [])
    assert (lancet(call)["may_be_used"], lancet(call)["reason"]) == (True, "ready")
    assert call("petra").get(f"kits/{KIT}").body["ready"] is True
    ((_, facts),) = entries("steriliser.load_released", load["id"])
    assert (facts["integrator"], facts["number"]) == ("passed", 1)


@pytest.mark.parametrize(
    ("reached", "result", "faults"),
    [
        ({}, "failed", ["integrator_failed"]),
        ({"minutes": "29.5"}, "passed", ["below_programme"]),
        ({"temperature": {"amount": "249.9", "unit": "F"}}, "passed", ["below_programme"]),
        ({"minutes": "1"}, "failed", ["integrator_failed", "below_programme"]),
    ],
)
def test_a_load_with_a_fault_clears_nothing_and_says_every_one(call, reached, result, faults):
    steriliser = add(call)
    packed(call)
    load = start(call, steriliser)
    finish(call, load, **reached)
    failed = integrator(call, load, result, action_taken="repacked, run again")
    assert (failed["state"], failed["faults"]) == ("failed", faults)
    assert (lancet(call)["reason"], lancet(call)["is_cleared"]) == ("load_failed", False)
    # Packed anew and run again, it is ready.
    step(call, "packed")
    again = start(call, steriliser)
    finish(call, again)
    integrator(call, again)
    assert lancet(call)["may_be_used"]


def test_what_was_not_cleaned_and_packed_is_recorded_and_not_cleared(call):
    steriliser = add(call)
    load = start(call, steriliser)
    finish(call, load)
    assert integrator(call, load)["state"] == "released"
    assert lancet(call)["reason"] == "loaded_uncleaned"
    for kind in ("washed", "rinsed", "dried"):
        step(call, kind)
    load = start(call, steriliser)
    finish(call, load)
    integrator(call, load)
    assert lancet(call)["reason"] == "not_packed"


def test_a_withdrawn_load_takes_back_what_it_cleared(call):
    load = through(call, add(call))
    taken = {"action_taken": "one pouch was wet; all packed anew"}
    gone = ok(call("petra").post(f"steriliser-loads/{load['id']}/withdraw", taken))
    assert (gone["state"], gone["faults"], gone["action_taken"]) == ("failed", ["withdrawn"], taken["action_taken"])  # fmt: skip
    assert lancet(call)["reason"] == "load_failed"
    assert call("petra").post(f"steriliser-loads/{load['id']}/withdraw", taken).status_code == 409


def opened(call, now, visit="some visit"):
    actions.open_kit(actor=system_actor(BUSINESS), now=now, kit_id=KIT, visit_id=uid(visit))


def test_a_failed_spore_test_takes_back_every_load_since_the_last_good_one(call, now):
    steriliser = add(call)
    test(call, steriliser, "good")
    with clock.stopped_at(now + timedelta(days=1)):
        first = through(call, steriliser)
        opened(call, clock.now())
    with clock.stopped_at(now + timedelta(days=2)):
        second = through(call, steriliser)
        assert lancet(call)["may_be_used"]
    with clock.stopped_at(now + timedelta(days=3)):
        failed = test(call, steriliser, "failed")
        assert (lancet(call)["reason"], lancet(call)["may_be_used"]) == ("recalled", False)
        assert "health department" in lancet(call)["what_to_do"]
        assert [load_of(call, x)["state"] for x in (first, second)] == ["recalled", "recalled"]
        seen = standing(call, steriliser)
        assert (seen["in_use"], seen["good_tests"], seen["good_tests_needed"]) == (False, 0, 3)
        assert call("petra").get(f"sterilisers/{steriliser['id']}").body["out_of_use_since"] == failed["read_at"]  # fmt: skip
    # Who had something of it is on record.
    ((_, facts),) = entries("steriliser.load_recalled", first["id"])
    assert facts["visit_ids"] == [str(uid("some visit"))]
    (used,) = ok(call("petra").get(f"steriliser-loads/{first['id']}/uses"))["items"]
    assert (used["visit_id"], used["tag"], used["pouch"]) == (
        str(uid("some visit")),
        "lancet 1",
        "A1",
    )
    assert ok(call("petra").get(f"steriliser-loads/{second['id']}/uses"))["items"] == []
    assert entries("steriliser.load_recalled", second["id"])[0][1]["visit_ids"] == []
    # A load of a steriliser that is out of use clears nothing.
    with clock.stopped_at(now + timedelta(days=3, hours=1)):
        meanwhile = through(call, steriliser)
        assert meanwhile["faults"] == ["steriliser_out_of_use"]
    # Three good ones in a row (house policy from Ontario's page), and a repair begins anew.
    with clock.stopped_at(now + timedelta(days=4)):
        test(call, steriliser, "good")
    with clock.stopped_at(now + timedelta(days=4, hours=1)):
        ok(call("lena").post(f"sterilisers/{steriliser['id']}/repairs", {"what": "new seal"}))
    for n in range(3):
        with clock.stopped_at(now + timedelta(days=5 + n)):
            assert standing(call, steriliser)["in_use"] is False
            test(call, steriliser, "good")
    with clock.stopped_at(now + timedelta(days=8)):
        assert standing(call, steriliser)["in_use"] is True
        assert through(call, steriliser)["state"] == "released"
        assert lancet(call)["may_be_used"]
        # What was recalled stays recalled.
        assert load_of(call, second)["state"] == "recalled"
    assert len(entries("steriliser.out_of_use", steriliser["id"])) == 1
    assert len(entries("steriliser.back_in_use", steriliser["id"])) == 1


def test_a_wrongly_entered_result_is_corrected_and_everything_follows_anew(call, now):
    steriliser = add(call)
    load = through(call, steriliser)
    with clock.stopped_at(now + timedelta(days=20)):
        failed = test(call, steriliser, "failed")
        assert lancet(call)["reason"] == "recalled"
    given = {"result": "good", "reason": "the control strip was read"}
    with clock.stopped_at(now + timedelta(days=20, hours=1)):
        assert call("petra").post(f"spore-tests/{failed['id']}/correct", given).status_code == 403
        ok(call("lena").post(f"spore-tests/{failed['id']}/correct", given))
        # The pouch, three weeks old, is ready again, and its story says why.
        assert (lancet(call)["reason"], lancet(call)["may_be_used"]) == ("ready", True)
        assert (load_of(call, load)["state"], load_of(call, load)["faults"]) == ("released", [])
        assert standing(call, steriliser)["in_use"] is True
        assert call("lena").post(f"spore-tests/{failed['id']}/correct", given).status_code == 409
        events = call("petra").get(f"kits/{KIT}/events").body["items"]
        assert [e["struck_because"] for e in events if e["kind"] == "recalled"] != [None]
        ok(call("lena").post(f"spore-tests/{failed['id']}/correct", given | {"result": "failed"}))
        assert lancet(call)["reason"] == "recalled"
        assert standing(call, steriliser)["in_use"] is False


def test_a_late_result_takes_back_a_pouch_that_was_used_meanwhile_as_it_happened(call, now):
    steriliser = add(call)
    through(call, steriliser)
    with clock.stopped_at(now + timedelta(hours=5)):
        opened(call, clock.now())
    with clock.stopped_at(now + timedelta(hours=6)):
        taken = test(call, steriliser, at=(now + timedelta(hours=1)).isoformat())
        given = {"result": "failed", "at": (now + timedelta(hours=4)).isoformat()}
        ok(call("petra").post(f"spore-tests/{taken['id']}/result", given))
        # It was used an hour after it was known that it must not be.
        assert lancet(call)["reason"] == "used_uncleared"


@pytest.mark.parametrize("swept", [True, False])
def test_a_pouch_past_its_shelf_life_is_not_ready(call, now, swept):
    steriliser = add(call, pouch_days=30)
    load = through(call, steriliser)
    assert load["keeps_until"] == "2026-06-05T17:00:00.000000Z"
    over = now + timedelta(days=30)
    with clock.stopped_at(over - timedelta(seconds=1)):
        assert tasks.end_shelf_lives() == 0
        assert lancet(call)["may_be_used"]
    with clock.stopped_at(over):
        if swept:
            assert (tasks.end_shelf_lives(), tasks.end_shelf_lives()) == (1, 0)
            assert call("petra").get(f"kits/{KIT}").body["ready"] is False
        assert (lancet(call)["reason"], lancet(call)["may_be_used"]) == ("shelf_life_over", False)
        opened(call, clock.now())
    ((_, facts),) = entries("kit.opened", KIT)
    assert facts["cleared"] is False


def test_a_late_event_after_weeks_in_store_keeps_the_pouch_ready(call, now):
    through(call, add(call))
    with clock.stopped_at(now + timedelta(days=40)):
        step(call, "stored", covered=True)
        step(call, "stored", covered=True, at=(now + timedelta(days=39)).isoformat())
        assert lancet(call)["may_be_used"]


def test_bad_input_is_refused_and_nothing_is_recorded(call, now):
    lena, petra = call("lena"), call("petra")
    path = f"locations/{LAKE}/sterilisers"
    for wrong in (
        {"method": "ultraviolet"},
        {"programmes": []},
        {"programmes": [STEAM, STEAM]},
        {"installed_at": "2036-01-01T00:00:00Z"},
        {"pouch_days": -1},
    ):
        given = {"name": "steam 1", "method": "steam", "programmes": [STEAM]} | wrong
        assert lena.post(path, given).status_code == 422, wrong
    assert petra.get(path).body["items"] == []
    assert (
        petra.post(path, {"name": "x", "method": "steam", "programmes": [STEAM]}).status_code == 403
    )
    steriliser = add(call)
    assert lena.post(path, {"name": "steam 1", "method": "steam", "programmes": [STEAM]}).status_code == 409  # fmt: skip
    loads = f"sterilisers/{steriliser['id']}/loads"
    pouch = {"pouch": "A1", "implement_ids": [str(LANCET)]}
    for wrong in (
        {"programme": "unknown"},
        {"pouches": [pouch, pouch]},
        {"pouches": [{"pouch": "A1", "implement_ids": [str(uid("nobody's"))]}]},
        {"pouches": [{"pouch": "A1", "implement_ids": []}]},
        {"at": "2036-01-01T00:00:00Z"},
    ):
        assert (
            petra.post(loads, {"programme": "wrapped", "pouches": []} | wrong).status_code == 422
        ), wrong
    assert petra.get(loads).body["items"] == []
    load = start(call, steriliser)
    early = {"at": (now - timedelta(minutes=1)).isoformat()}
    assert petra.post(f"steriliser-loads/{load['id']}/finish", REACHED | early).status_code == 422
    assert (
        petra.post(f"steriliser-loads/{load['id']}/integrator", {"result": "passed"}).status_code
        == 409
    )
    finish(call, load)
    assert petra.post(f"steriliser-loads/{load['id']}/finish", REACHED).status_code == 409
    integrator(call, load)
    assert (
        petra.post(f"steriliser-loads/{load['id']}/integrator", {"result": "failed"}).status_code
        == 409
    )
    taken = test(call, steriliser, load_id=load["id"])
    assert taken["taken_at"] == load["started_at"]
    other = add(call, name="steam 2")
    tests = f"sterilisers/{other['id']}/spore-tests"
    assert petra.post(tests, {"lot": "x", "load_id": load["id"]}).status_code == 422
    ok(petra.post(f"spore-tests/{taken['id']}/result", {"result": "good"}))
    assert petra.post(f"spore-tests/{taken['id']}/result", {"result": "failed"}).status_code == 409
    for path in (loads, f"steriliser-loads/{load['id']}", f"spore-tests/{taken['id']}"):
        assert call("hana").get(path).status_code == 404
        assert call("stranger").get(path).status_code == 404
    assert call("henk").post(f"locations/{HARBOR}/sterilisers", {"name": "dry 1", "method": "dry_heat", "programmes": [STEAM]}).status_code == 201  # fmt: skip


def test_a_retired_steriliser_takes_no_load_and_no_test(call):
    steriliser = add(call)
    ok(call("lena").post(f"sterilisers/{steriliser['id']}/retire"))
    for path, given in (
        ("loads", {"programme": "wrapped", "pouches": []}),
        ("spore-tests", {"lot": "x"}),
    ):
        refused = call("petra").post(f"sterilisers/{steriliser['id']}/{path}", given)
        assert refused.body["type"] == "/problems/wrong-state"
    assert call("lena").post(f"sterilisers/{steriliser['id']}/retire").status_code == 409
