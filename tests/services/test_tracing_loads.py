"""From a steriliser's load to the clients, and from a client to the load."""

from datetime import timedelta

from spa_ops.kernel import clock
from tests.disinfection.test_sterilising import add, finish, integrator, ok, start, test
from tests.services.day import GLOVED, consult, in_room
from tests.world import uid

KIT = uid("brow kit 1")
TOOLS = [str(uid(f"brow kit 1 {tool}")) for tool in ("tweezers", "scissors")]


def sterilised(call, at):
    """The kit of the visit comes out of a load."""
    with clock.stopped_at(at):
        steriliser = add(call)
        for kind in ("washed", "rinsed", "dried", "packed"):
            ok(call("petra").post(f"kits/{KIT}/reprocessing", {"kind": kind}))
        load = start(call, steriliser, pouches=[{"pouch": "B2", "implement_ids": TOOLS}])
        finish(call, load)
        return steriliser, integrator(call, load)


def begun(call, at):
    """A visit whose line began with the kit."""
    visit = in_room(call, at)
    consult(call, visit)
    ok(call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED))
    return visit


def test_a_load_is_traced_to_the_visit_and_the_visit_to_the_load(call, now):
    steriliser, load = sterilised(call, now + timedelta(minutes=1))
    with clock.stopped_at(now + timedelta(minutes=2)):
        visit = begun(call, clock.now())
        found = ok(call("lena").get(f"steriliser-loads/{load['id']}/trace"))
        assert [i["pouch"] for i in found["implements"]] == ["B2", "B2"]
        assert [v["visit_id"] for v in found["visits"]] == [visit["id"]]
        assert found["visits"][0]["via"] == [{"what": "load", "id": load["id"], "side": "before"}]
        seen = ok(call("lena").get(f"visits/{visit['id']}/trace"))
        assert [(x["load_id"], x["state"]) for x in seen["loads"]] == [(load["id"], "released")]
        assert {m["kind"] for i in seen["implements"] for m in i["before"]} >= {"loaded"}
    # A test that fails afterwards shows in the client's trace.
    with clock.stopped_at(now + timedelta(days=3)):
        test(call, steriliser, "failed")
        seen = ok(call("lena").get(f"visits/{visit['id']}/trace"))
        assert [(x["state"], x["faults"]) for x in seen["loads"]] == [("recalled", ["recalled"])]
    assert call("petra").get(f"steriliser-loads/{load['id']}/trace").status_code == 403
    assert call("henk").get(f"steriliser-loads/{load['id']}/trace").status_code == 404
    assert call("stranger").get(f"steriliser-loads/{load['id']}/trace").status_code == 404


def test_without_a_load_nothing_is_found(call, now):
    steriliser = add(call)
    load = start(call, steriliser, pouches=[])
    found = ok(call("lena").get(f"steriliser-loads/{load['id']}/trace"))
    assert (found["implements"], found["visits"], found["load"]["state"]) == ([], [], "running")
