"""Stock with visits: traced both ways, and what set-up lists miss."""

from datetime import timedelta

from clients.models import HealthRead
from services.models import LineState
from services.tasks import book_uses
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.rooms.stock import GEL, add, count, done, open_it, receive
from tests.services import builders as build
from tests.services.day import book, line
from tests.services.test_set_up import items
from tests.services.test_stock_use import APPLICATORS, GLOVES, PLAIN, finished
from tests.world import BUSINESS, LAKE, uid


def reads():
    with reading(BUSINESS):
        return set(HealthRead.objects.values_list("client_id", flat=True))


def via(trace):
    return {(v["visit_id"], one["what"], one["id"]) for v in trace["visits"] for one in v["via"]}


def test_from_a_lot_to_every_client_it_touched_and_back(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    visit = finished(call, now)
    book_uses()
    with clock.stopped_at(now + timedelta(hours=1)):
        found = done(call("lena").get(f"stock-lots/{jar['lot_id']}/trace"))
        assert [lot["number"] for lot in found["lots"]] == ["A"]
        assert [c["container_id"] for c in found["containers"]] == [jar["id"]]
        assert via(found) == {(visit["id"], "lot", jar["lot_id"])}
        assert [v["client_id"] for v in found["visits"]] == [str(uid("cora"))]
        assert uid("cora") in reads()
        back = done(call("lena").get(f"clients/{uid('cora')}/stock-lots"))
        (used,) = back["lots"]
        assert (used["item"], used["lot_number"], used["container_id"], used["quantity"]) == ("Invented gel", "A", jar["id"], "3")  # fmt: skip
        whole = done(call("lena").get(f"visits/{visit['id']}/trace"))
        assert whole["lots"] == back["lots"]


def test_a_visits_trace_names_who_shared_a_lot_beside_kits_and_rooms(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel, None)
    visit = finished(call, now)
    other = build.visit(LineState.FINISHED, line={"started_at": now})
    with reading(BUSINESS):
        of_other = build.lines_of(other)[0]
    from services.actions.stock import use_due
    from spa_ops.unit.rows import insert

    build.written(lambda: insert([use_due(of_other, other, now)]))
    book_uses()
    found = done(call("lena").get(f"visits/{visit['id']}/trace"))
    shared = {(i, what) for i, what, _ in via(found)}
    assert {(str(other.id), "lot"), (str(other.id), "container"), (str(other.id), "practitioner")} <= shared  # fmt: skip
    assert jar["id"] in {one for _, _, one in via(found)}


def test_what_was_decanted_is_traced_with_what_it_came_from(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel, "room 2")
    bottle = done(call("petra").post(f"open-containers/{jar['id']}/decant", {"quantity": "40", "room_id": str(uid("room 1"))}))  # fmt: skip
    visit = finished(call, now)
    book_uses()
    of_jar = done(call("lena").get(f"open-containers/{jar['id']}/trace"))
    assert [c["container_id"] for c in of_jar["containers"]] == [jar["id"], bottle["id"]]
    assert via(of_jar) == {(visit["id"], "container", bottle["id"])}
    of_bottle = done(call("lena").get(f"open-containers/{bottle['id']}/trace"))
    assert via(of_bottle) == via(of_jar)


def test_what_a_record_takes_back_does_not_count(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    finished(call, now, PLAIN | {"used": [{"item_id": gel, "amount": "0"}]})
    book_uses()
    assert done(call("lena").get(f"stock-lots/{jar['lot_id']}/trace"))["visits"] == []


def test_only_the_leads_of_the_place_trace(call, now):
    gel = add(call, GEL)
    receive(call, gel, "500", lot_number="A", expires_on="2027-03-31")
    jar = open_it(call, gel)
    for path in (f"stock-lots/{jar['lot_id']}/trace", f"open-containers/{jar['id']}/trace"):
        assert call("henk").get(path).status_code == 404
        assert call("petra").get(path).status_code == 403
        assert call("lena").get(f"{path}?from=2026-05-07T00:00:00Z&to=2026-05-06T00:00:00Z").status_code == 422  # fmt: skip


def test_a_visits_list_says_what_is_missing_in_stock(call, now):
    applicators, gel = add(call, APPLICATORS), add(call, GEL)
    receive(call, applicators, "5", lot_number="A", expires_on="2027-03-31")
    receive(call, applicators, "100", lot_number="OLD", expires_on="2026-05-01")
    visit = book(call, now, line(now)).body
    found = items(call, visit)
    # Eight are asked for, and what is past its date does not count.
    assert (found["wax_applicator:small"]["in_stock"], found["wax_applicator:small"]["missing"]) == ("5", 3)  # fmt: skip
    assert (found["calming_gel"]["in_stock"], found["calming_gel"]["missing"]) == ("0", 1)
    assert (found["mirror"]["in_stock"], found["mirror"]["missing"]) == (None, None)
    receive(call, gel, "250")
    count(call, applicators, "9")
    found = items(call, visit, "freya")
    assert found["calming_gel"]["missing"] == 0
    assert found["wax_applicator:small"]["in_stock"] == "5"


def test_a_days_list_says_what_its_visits_miss_together(call, now):
    applicators, gloves = add(call, APPLICATORS), add(call, GLOVES)
    receive(call, applicators, "10")
    receive(call, gloves, "50")
    for minutes in (60, 240):
        done(book(call, now, line(now, minutes=minutes, kit="brow kit 1")))
    day = done(call("freya").get(f"locations/{LAKE}/set-up-lists"))
    totals = {row["item"]: row for row in day["totals"]}
    assert (totals["wax_applicator:small"]["count"], totals["wax_applicator:small"]["missing"]) == (16, 6)  # fmt: skip
    assert totals["gloves"]["missing"] == 0
    page = call("freya").get(f"locations/{LAKE}/set-up-lists-page").content.decode()
    assert "Missing in stock" in page


def test_a_day_does_not_ask_again_for_what_is_used_up(call, now):
    applicators = add(call, APPLICATORS)
    receive(call, applicators, "8")
    visit = finished(call, now)
    book_uses()
    done(call("freya").post(f"visits/{visit['id']}/leave"))
    day = done(call("freya").get(f"locations/{LAKE}/set-up-lists"))
    (row,) = [r for r in day["totals"] if r["item"] == "wax_applicator:small"]
    assert (row["count"], row["in_stock"], row["missing"]) == (8, "0", 0)
