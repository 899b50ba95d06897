"""What was done here bears on what comes: two services on one area keep their distance."""

from datetime import date, datetime, timedelta

from clients.rule_files import shipped_rule_set
from clients.rules.dates import exactly
from clients.rules.model import AboutClient
from services.queries.own_work import KINDS, LONGEST
from services.tasks import look_ahead
from spa_ops.kernel import clock
from tests.callers import Caller, secret_of
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, hair, in_room, line
from tests.world import LAKE, uid
from tests.world_rooms import make_ready


def brow_done(call, now, client="cora"):
    """A brow wax of today, finished."""
    visit = in_room(call, now, line(now, minutes=10), client=client)
    consult(call, visit)
    work = visit["lines"][0]["id"]
    assert call("petra").post(f"lines/{work}/start", GLOVED).status_code == 200
    done = call("petra").post(f"lines/{work}/finish", {"record": RECORD, **WASHED})
    assert done.status_code == 200, done.body
    return visit


def test_the_rules_know_every_kind_and_none_asks_for_longer_than_is_looked_back():
    rules = shipped_rule_set()
    today = date(2026, 5, 6)
    for method, (kind, details) in KINDS.items():
        assert method in rules.methods and kind in rules.kinds
        for rule in rules.rules:
            trigger = rule.trigger
            if isinstance(trigger, AboutClient) and kind in trigger.kinds:
                if details and trigger.details and trigger.details.isdisjoint(details):
                    continue
                assert rule.since is None or rule.since.after(today) - today <= LONGEST
    assert exactly(today).is_exact


def test_a_second_waxing_too_soon_is_in_question_and_waits_on_its_day(call, now):
    soon = book(call, now, line(now, minutes=24 * 60), client="cora")
    assert soon.status_code == 201, soon.body
    later = book(call, now, line(now, minutes=7 * 24 * 60), client="cora")
    assert later.status_code == 201
    first = brow_done(call, now)
    assert call("petra").post(f"visits/{first['id']}/leave").status_code == 200
    look_ahead()
    asked = call("freya").get(f"locations/{LAKE}/visits-in-question").body["items"]
    assert [v["id"] for v in asked] == [soon.body["id"]]
    seen = call("freya").get(f"visits/{soon.body['id']}").body["lines"][0]
    # Fact 7.35 of the published facts and common practice: three days for freshly waxed skin.
    assert (seen["verdict"], seen["earliest_on"]) == ("wait_until", "2026-05-09")
    fine = call("freya").get(f"visits/{later.body['id']}").body["lines"][0]
    assert fine["verdict"] in {"", "proceed"}
    with clock.stopped_at(now + timedelta(days=1)):
        caller = Caller(secret_of("freya"))
        path = f"visits/{soon.body['id']}"
        assert caller.post(f"{path}/arrive").status_code == 200
        petra = Caller(secret_of("petra"))
        make_ready("room 1")
        assert petra.post(f"{path}/seat").status_code == 200
        held = petra.post(f"{path}/consultation", {"answers": all_no(), "findings": [hair()]})
        assert held.body["lines"][0]["verdict"] == "wait_until"


def test_the_search_for_starts_keeps_the_distance(call, now):
    brow_done(call, now)
    asked = {
        "client_id": str(uid("cora")),
        "lines": [{"service_id": str(uid("brow wax"))}],
        "from": now.isoformat(),
    }
    found = call("freya").post(f"locations/{LAKE}/availability", asked)
    assert found.status_code == 200, found.body
    first = datetime.fromisoformat(found.body["options"][0]["starts_at"])
    assert first.astimezone().date() >= date(2026, 5, 9)
    # Another client, and another area of the same one, need not wait.
    other = call("freya").post(
        f"locations/{LAKE}/availability", asked | {"client_id": str(uid("celia"))}
    )
    assert datetime.fromisoformat(other.body["options"][0]["starts_at"]).date() == now.date()
    lip = asked | {"lines": [{"service_id": str(uid("lip wax"))}]}
    found = call("freya").post(f"locations/{LAKE}/availability", lip)
    assert datetime.fromisoformat(found.body["options"][0]["starts_at"]).date() == now.date()


def test_what_is_booked_keeps_its_distance_too_but_not_from_itself(call, now):
    day = 24 * 60
    assert book(call, now, line(now, minutes=5 * day)).status_code == 201
    asked = {
        "client_id": str(uid("cora")),
        "lines": [{"service_id": str(uid("brow wax"))}],
        "from": (now + timedelta(days=4)).isoformat(),
        "to": (now + timedelta(days=12)).isoformat(),
        "limit": 200,
    }
    found = call("freya").post(f"locations/{LAKE}/availability", asked).body
    days = {datetime.fromisoformat(o["starts_at"]).date() for o in found["options"]}
    planned = (now + timedelta(days=5)).date()
    # Two days before (house policy) to three days after (common practice).
    assert not days & {planned + timedelta(days=n) for n in (-1, 0, 1, 2)}
    assert days
