"""The set-up list over HTTP: a visit's, ticked off item by item, and a day's to print."""

import re
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.models import Client, HealthRead
from services.models import LineState, SetUpTick, VisitState
from services.set_up_files import shipped_set_up
from spa_ops.kernel import clock
from spa_ops.tenancy.sealing import seal
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.clients.test_api import entries
from tests.clients.test_health import every_row_as_text
from tests.services import builders as build
from tests.services.day import RECORD, all_no, book, consult, in_room, line
from tests.services.test_checkout_at_once import _at_once
from tests.services.test_erasure import Page, erase
from tests.services.test_intake import answered, made, send
from tests.services.test_merging import declares, double, merge
from tests.world import BUSINESS, HARBOR, LAKE, uid

DAY = f"locations/{LAKE}/set-up-lists"
BALM = {"id": str(uid("balm")), "name": "Invented balm", "supplier": "Invented Alba", "ingredients": ["nut_oil"]}  # fmt: skip

EMPTY_NOTES = {
    "wishes": [],
    "last_visit": None,
    "not_confirmed": {"imported": None, "allergies": []},
}


def path(visit):
    return f"visits/{visit['id']}/set-up-list"


def listed(call, visit, who="petra"):
    found = call(who).get(path(visit))
    assert found.status_code == 200, found.body
    return found.body


def items(call, visit, who="petra"):
    return {i["item"]: i for i in listed(call, visit, who)["items"]}


def tick(call, visit, item, who="petra", laid_out=True, **more):
    headers = {k: more.pop(k) for k in list(more) if k[0].isupper()}
    return call(who).post(
        f"{path(visit)}/ticks", {"item": item, "laid_out": laid_out} | more, **headers
    )


def tick_all(call, visit, who="petra", but=()):
    for item in items(call, visit, who).values():
        wanted = item["state"] != "struck_out" and not (who == "freya" and item["for_practitioner"])
        if wanted and item["item"] not in but:
            done = tick(call, visit, item["item"], who)
            assert done.status_code == 201, done.body


def reads():
    with reading(BUSINESS):
        return HealthRead.objects.count()


def declared(call, visit, *details, at=None):
    said = [{"kind": "allergy", "details": list(details)}]
    with clock.stopped_at(at or clock.now()):
        return consult(call, visit, answers=all_no(allergies="yes"), declarations=said)


@pytest.fixture
def balm(call):
    """The brow wax uses a balm with nut oil in it."""
    added = call("lena").post("skin-products", BALM)
    assert added.status_code == 201, added.body
    address = f"services/{uid('brow wax')}"
    etag = call("lena").get(address)["ETag"]
    changed = call("lena").patch(address, {"skin_product_ids": [BALM["id"]]}, If_Match=etag)
    assert changed.status_code == 200, changed.body
    return f"skin_products:{BALM['id']}"


def test_a_visits_list_is_made_from_its_lines_in_the_order_of_laying_out(call, now):
    both = [line(now, minutes=30), line(now, "lip wax", kit=None, minutes=None)]
    visit = book(call, now, *both).body
    found = listed(call, visit)
    by_item = {i["item"]: i for i in found["items"]}
    # Texas states no way of drawing wax: the house default, a new applicator for each dip.
    assert (found["drawing"]["way"], found["drawing"]["allowed"]) == ("new_each_dip", ["new_each_dip"])  # fmt: skip
    assert found["drawing"]["pack"] == "house-default@1"
    parts = shipped_set_up().parts
    # Hard wax at most twice on a section (common practice, no source).
    assert by_item["wax_applicator:small"]["count"] == parts["brow"][0].sections * 2
    assert by_item["wax_applicator:medium"]["count"] == parts["lip"][0].sections * 2
    assert (by_item["gloves"]["count"], by_item["mirror"]["count"]) == (3, 1)
    assert by_item[f"kit:{uid('brow kit 1')}"]["title"] == "brow kit 1"
    assert all(i["sources"] and i["state"] == "to_do" and not i["changed"] for i in found["items"])
    order = [entry.code for entry in shipped_set_up().entries]
    assert [i["code"] for i in found["items"]] == sorted((i["code"] for i in found["items"]), key=order.index)  # fmt: skip
    assert (found["complete"], found["put_back"]) == (False, [])
    assert found["notes"] == EMPTY_NOTES
    assert "label" in found["notice"]


def test_a_house_policy_counts_only_where_the_jurisdiction_allows_it(call, now):
    address = f"locations/{LAKE}"
    etag = call("olga").get(address)["ETag"]
    wrong = call("olga").patch(address, {"policies": {"wax_drawing": "dip_twice"}}, If_Match=etag)
    assert (wrong.status_code, wrong.body["errors"][0]["pointer"]) == (422, "/policies/wax_drawing")
    build.house_policy(wax_drawing="decanted_cup")
    visit = book(call, now).body
    assert listed(call, visit)["drawing"]["way"] == "new_each_dip"
    build.written(_in_oklahoma)
    found = listed(call, visit)
    # Okla. 175:10-7-34(c): from a throw-away cup one applicator may serve the whole service.
    assert (found["drawing"]["way"], found["drawing"]["citation"]) == ("decanted_cup", "Okla. 175:10-7-34(c)")  # fmt: skip
    by_item = {i["item"]: i["count"] for i in found["items"]}
    assert (by_item["wax_cup"], by_item["wax_applicator:small"]) == (1, 1)


def _in_oklahoma():
    from spa_ops.tenancy.models import Location
    from spa_ops.unit.rows import put

    place = Location.objects.get(id=LAKE)
    place.jurisdiction = "us-ok"
    put(place, fields=["jurisdiction"])


def test_reading_it_is_a_recorded_read_for_who_may_know_and_none_for_the_desk(call, now):
    visit = book(call, now).body
    before = reads()
    listed(call, visit, "freya")
    assert reads() == before
    listed(call, visit, "petra")
    listed(call, visit, "olga")
    assert reads() == before + 2
    assert call("inga").get(path(visit)).status_code == 403
    assert call("hana").get(path(visit)).status_code == 404
    assert call("stranger").get(path(visit)).status_code == 404
    assert tick(call, visit, "mirror", "hana").status_code == 404
    assert reads() == before + 2


def test_after_the_consultation_latex_and_a_products_allergen_change_the_list(call, now, balm):
    visit = in_room(call, now)
    before = items(call, visit)
    assert (before["gloves"]["variant"], before[balm]["state"]) == ("", "to_do")
    assert tick(call, visit, "gloves").status_code == 201
    assert tick(call, visit, balm).status_code == 201
    assert tick(call, visit, "mirror").status_code == 201
    later = now + timedelta(minutes=5)
    declared(call, visit, "latex", "nut_oil", at=later)
    found = listed(call, visit)
    after = {i["item"]: i for i in found["items"]}
    assert after["gloves"]["variant"] == "latex_free"
    assert (after["gloves"]["because"], after["gloves"]["changed"]) == (["latex"], True)
    # What lies there may be the wrong ones.
    assert after["gloves"]["state"] == "lay_out_again"
    assert (after[balm]["state"], after[balm]["because"]) == ("struck_out", ["nut_oil"])
    assert after["residue_oil"]["must_check_label"]
    assert (after["mirror"]["state"], after["mirror"]["changed"]) == ("laid_out", False)
    assert [p["item"] for p in found["put_back"]] == [balm]
    refused = tick(call, visit, balm)
    assert (refused.status_code, refused.body["errors"][0]["code"]) == (422, "struck_out")
    with clock.stopped_at(later + timedelta(minutes=1)):
        assert tick(call, visit, "gloves").status_code == 201
        assert tick(call, visit, balm, laid_out=False).status_code == 201
    found = listed(call, visit)
    assert {i["item"]: i for i in found["items"]}["gloves"]["state"] == "laid_out"
    assert found["put_back"] == []


def test_what_was_declared_before_is_on_the_list_from_the_start_and_said_again_changes_nothing(
    call, now, balm
):
    declares(now - timedelta(days=30), "cora", kind="allergy", details=["latex"])
    visit = in_room(call, now)
    first = items(call, visit)["gloves"]
    assert (first["variant"], first["changed"]) == ("latex_free", False)
    assert tick(call, visit, "gloves").status_code == 201
    declared(call, visit, "latex", at=now + timedelta(minutes=5))
    again = items(call, visit)["gloves"]
    assert (again["variant"], again["changed"], again["state"]) == ("latex_free", False, "laid_out")


def test_the_desk_is_told_nothing_by_the_list(call, now, balm):
    visit = in_room(call, now)
    before = listed(call, visit, "freya")
    assert not [i for i in before["items"] if i["variant"] or i["because"] or i["must_check_label"]]
    (gloves,) = [i for i in before["items"] if i["item"] == "gloves"]
    assert (gloves["for_practitioner"], gloves["state"]) == (True, None)
    assert [i["item"] for i in before["items"] if i["code"] == "skin_products"] == ["skin_products"]
    assert before["notes"] is None
    assert tick(call, visit, "gloves").status_code == 201
    assert tick(call, visit, balm).status_code == 201
    declared(call, visit, "latex", "nut_oil", at=now + timedelta(minutes=5))
    assert listed(call, visit, "freya") == before
    day = call("freya").get(DAY)
    assert day.body == call("petra").get(DAY).body
    page = call("freya").get(f"{DAY}-page").content.decode()
    for text in (str(before), day.content.decode(), page):
        assert not re.search("latex|nut_oil|allerg|struck|Invented balm", text)
    # It can neither tick what it may not know nor find out by trying.
    for item in ("gloves", balm, "skin_products", f"skin_products:{uid('nothing')}"):
        for laid_out in (True, False):
            refused = tick(call, visit, item, "freya", laid_out=laid_out)
            assert (refused.status_code, refused.body["type"]) == (403, "/problems/not-allowed")


def test_nothing_that_was_declared_is_readable_in_the_ticks_or_their_evidence(call, now, balm):
    visit = in_room(call, now)
    declared(call, visit, "latex", "nut_oil")
    with clock.stopped_at(now + timedelta(minutes=1)):
        tick_all(call, visit)
    kept = every_row_as_text()["services_set_up_tick"]
    assert len(kept.splitlines()) == len(items(call, visit)) - 1
    (facts,) = completed(visit)
    for text in (kept, str(facts)):
        assert not re.search("latex|nut_oil|variant|struck", text)
    assert BALM["id"] not in kept


def test_a_tick_is_a_fact_and_a_later_one_undoes_it(call, now):
    visit = book(call, now).body
    first = tick(call, visit, "mirror", "freya")
    assert first.status_code == 201, first.body
    assert (first.body["count"], first.body["recorded_by"]) == (1, str(uid("freya")))
    mirror = items(call, visit)["mirror"]
    assert (mirror["state"], mirror["ticked_by"]) == ("laid_out", str(uid("freya")))
    with clock.stopped_at(now + timedelta(minutes=1)):
        assert tick(call, visit, "mirror", laid_out=False).status_code == 201
        assert items(call, visit)["mirror"]["state"] == "to_do"
        again = tick(call, visit, "mirror", laid_out=False)
        assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")
    with reading(BUSINESS):
        assert SetUpTick.objects.count() == 2


def test_a_tick_from_offline_keeps_its_own_id_and_time_and_comes_once(call, now):
    visit = book(call, now - timedelta(0)).body
    later = now + timedelta(minutes=30)
    with clock.stopped_at(later):
        undone = tick(call, visit, "mirror", at=(now + timedelta(minutes=10)).isoformat())
        assert undone.status_code == 201
        off = tick(call, visit, "mirror", laid_out=False, at=(now + timedelta(minutes=20)).isoformat())  # fmt: skip
        assert off.status_code == 201
        # It was done before the mirror was taken away, and arrives after that.
        late = {"id": str(uid("late tick")), "at": (now + timedelta(minutes=15)).isoformat()}
        for _ in range(2):
            kept = tick(call, visit, "mirror", Idempotency_Key="late", **late)
            assert (kept.status_code, kept.body["id"]) == (201, late["id"])
        twice = tick(call, visit, "mirror", **late)
        assert (twice.status_code, twice.body["type"]) == (409, "/problems/already-exists")
        assert items(call, visit)["mirror"]["state"] == "to_do"
    with reading(BUSINESS):
        assert SetUpTick.objects.count() == 3


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ({"item": "throne"}, "/item"),
        ({"item": "wax_applicator:huge"}, "/item"),
        ({"item": "wax_pot_soft"}, "/item"),
        ({"item": f"kit:{uid('brow kit 2')}"}, "/item"),
        ({"item": "throne", "laid_out": False}, "/item"),
        ({"item": ""}, "/item"),
        ({"item": "x" * 81}, "/item"),
        ({"item": None}, "/item"),
        ({"laid_out": "perhaps"}, "/laid_out"),
        ({"laid_out": None}, "/laid_out"),
        ({"at": "2031-01-01T00:00:00Z"}, "/at"),
        ({"at": "2020-01-01T00:00:00Z"}, "/at"),
        ({"at": "noon"}, "/at"),
        ({"id": "one"}, "/id"),
        ({"colour": "blue"}, "/colour"),
    ],
)
def test_bad_input_is_named_and_nothing_is_kept(call, now, said, pointer):
    visit = book(call, now).body
    sent = {"item": "mirror", "laid_out": True} | said
    refused = call("petra").post(f"{path(visit)}/ticks", sent)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    with reading(BUSINESS):
        assert not SetUpTick.objects.exists()


def completed(visit):
    return [facts for _, facts in entries("visit.set_up_completed", visit["id"])]


def test_the_tick_that_completes_the_list_leaves_evidence_and_no_other_does(call, now, balm):
    visit = book(call, now).body
    tick_all(call, visit, "freya")
    assert listed(call, visit, "freya")["complete"]
    # What the practitioner lays out is still missing.
    assert not listed(call, visit, "petra")["complete"]
    assert completed(visit) == []
    tick_all(call, visit, but={balm})
    assert completed(visit) == []
    last = tick(call, visit, balm).body
    assert listed(call, visit)["complete"]
    (facts,) = completed(visit)
    assert (facts["tick_id"], facts["items"]) == (last["id"], len(items(call, visit)))
    assert (facts["set_up_version"], facts["wax_drawing"]) == (shipped_set_up().version, "new_each_dip")  # fmt: skip
    assert tick(call, visit, "mirror").status_code == 201
    assert len(completed(visit)) == 1
    with clock.stopped_at(now + timedelta(minutes=1)):
        assert tick(call, visit, "mirror", laid_out=False).status_code == 201
        assert not listed(call, visit)["complete"]
        assert tick(call, visit, "mirror").status_code == 201
    assert len(completed(visit)) == 2
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True


def test_a_line_that_is_added_asks_for_more_and_one_that_is_dropped_is_put_back(call, now):
    visit = in_room(call, now)
    for item in ("gloves", "wax_applicator:small", "mirror"):
        assert tick(call, visit, item).status_code == 201
    more = line(now, "lip wax", room="room 1", kit=None, minutes=120)
    added = call("petra").post(f"visits/{visit['id']}/lines", more)
    assert added.status_code == 200, added.body
    found = items(call, visit)
    assert (found["gloves"]["state"], found["gloves"]["count"]) == ("more_needed", 3)
    assert found["mirror"]["state"] == "laid_out"
    assert found["wax_applicator:medium"]["state"] == "to_do"
    first = visit["lines"][0]["id"]
    dropped = call("petra").post(f"lines/{first}/drop", {"reason": "another day"})
    assert dropped.status_code == 200, dropped.body
    left = listed(call, visit)
    assert "wax_applicator:small" not in {i["item"] for i in left["items"]}
    (back,) = left["put_back"]
    assert (back["item"], back["title"]) == ("wax_applicator:small", "New wax applicator")
    assert tick(call, visit, "wax_applicator:small", laid_out=False).status_code == 201


def test_a_visit_without_lines_or_that_is_off_has_an_empty_list_and_takes_no_ticks(call, now):
    visit = book(call, now).body
    assert tick(call, visit, "mirror").status_code == 201
    off = call("freya").post(f"visits/{visit['id']}/cancel", {"reason": "ill"})
    assert off.status_code == 200, off.body
    for who in ("petra", "freya"):
        found = listed(call, visit, who)
        assert (found["items"], found["complete"]) == ([], False)
        assert [p["item"] for p in found["put_back"]] == ["mirror"]
    refused = tick(call, visit, "mirror", laid_out=False)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/wrong-state")
    empty = build.visit(LineState.DROPPED, state=VisitState.BOOKED, starts_at=now)
    found = listed(call, {"id": empty.id})
    assert (found["items"], found["complete"], found["put_back"]) == ([], False, [])
    assert tick(call, {"id": empty.id}, "mirror").status_code == 422
    assert call("freya").get(DAY).body["visits"] == []


def test_a_walk_in_has_a_list_at_once(call, now):
    asked = {
        "client_id": str(uid("celia")),
        "lines": [line(now, "lip wax", kit=None, minutes=None)],
    }
    visit = call("freya").post(f"locations/{LAKE}/walk-ins", asked)
    assert visit.status_code == 201, visit.body
    found = listed(call, visit.body)
    assert "wax_applicator:medium" in {i["item"] for i in found["items"]}
    tick_all(call, visit.body)
    assert len(completed(visit.body)) == 1


def test_wishes_and_the_last_record_of_the_area_are_shown_to_who_works_on_it(call, now):
    said = {"area": "brow", "text": "fuller, leave the tail"}
    assert call("petra").post(f"clients/{uid('cora')}/wishes", said).status_code == 201
    other = {"area": "toes", "text": "none"}
    assert call("petra").post(f"clients/{uid('cora')}/wishes", other).status_code == 201
    _done_before(call, now)
    visit = book(call, now, line(now, minutes=300, kit="brow kit 2")).body
    notes = listed(call, visit)["notes"]
    assert [w["text"] for w in notes["wishes"]] == ["fuller, leave the tail"]
    assert notes["last_visit"]["record"]["note"] == "two passes are too much"
    assert notes["last_visit"]["area"] == "brow"
    leg = book(call, now, line(now, "full leg wax", who="lena", kit=None, room="room 2", minutes=200)).body  # fmt: skip
    assert listed(call, leg, "lena")["notes"] == EMPTY_NOTES


def _done_before(call, now):
    earlier = in_room(call, now, line(now, minutes=30))
    consult(call, earlier)
    first = earlier["lines"][0]["id"]
    confirmed = {"hands_cleaned": True, "fresh_gloves": True, "skin_prepared": True, "wax_tried_on_wrist": True}  # fmt: skip
    assert call("petra").post(f"lines/{first}/start", confirmed).status_code == 200
    washed = {"gloves_off": True, "hands_washed": True}
    record = RECORD | {"note": "two passes are too much"}
    ended = call("petra").post(f"lines/{first}/finish", {"record": record, **washed})
    assert ended.status_code == 200, ended.body
    return earlier


def test_what_nobody_confirmed_yet_is_in_the_notes_and_changes_nothing_on_the_list(
    call, now, settings
):
    settings.PAGES_PER_MINUTE = 1_000_000  # the clock of the tests stands still
    visit = book(call, now, line(now, minutes=30)).body
    url = made(call, visit)
    told = {"k-allergies-allergy-details": ["latex"]}
    sent = send(url, answered(q__allergies="yes", **told))
    assert sent.status_code == 303, sent.content
    sealed = build.written(lambda: seal(BUSINESS, uid("cora"), b"allergic to rosin, says the old file"))  # fmt: skip
    with reading(BUSINESS):
        Client.objects.filter(id=uid("cora")).update(unverified_health=sealed)
    found = listed(call, visit)
    assert found["notes"]["not_confirmed"] == {
        "imported": "allergic to rosin, says the old file", "allergies": ["latex"]
    }  # fmt: skip
    assert not any(i["variant"] or i["because"] for i in found["items"])
    assert not re.search("latex|rosin", str(listed(call, visit, "freya")))
    at_desk = f"visits/{visit['id']}"
    assert call("freya").post(f"{at_desk}/arrive").status_code == 200
    assert call("petra").post(f"{at_desk}/seat").status_code == 200
    with clock.stopped_at(now + timedelta(minutes=1)):
        every = call("petra").get(f"{at_desk}/consultation").body["intake"][-1]
        ids = [item["id"] for item in every["items"]]
        sure = call("petra").post(f"{at_desk}/intake/confirm", {"item_ids": ids})
        assert sure.status_code == 200, sure.body
    after = listed(call, visit)
    assert after["notes"]["not_confirmed"]["allergies"] == []
    assert {i["item"]: i for i in after["items"]}["gloves"]["variant"] == "latex_free"


def test_what_a_merged_record_declared_counts(call, now):
    double(now, "twin")
    declares(now - timedelta(days=30), "twin", kind="allergy", details=["latex"])
    assert merge(call).status_code == 200
    visit = book(call, now).body
    assert items(call, visit)["gloves"]["variant"] == "latex_free"


def test_an_erased_client_has_no_list_for_who_would_see_health(call, now):
    visit = _done_before(call, now)
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    erased = erase(call)
    assert erased.status_code == 200, erased.body
    gone = call("petra").get(path(visit))
    assert (gone.status_code, gone.body["type"]) == (410, "/problems/erased")
    assert listed(call, visit, "freya")["items"]


def test_a_day_adds_up_and_counts_by_room_what_stays(call, now):
    first = book(call, now, line(now, minutes=60)).body
    other = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=60)
    second = book(call, now, other, client="celia").body
    tomorrow = line(now, minutes=60 * 24, kit=None, service="lip wax")
    assert book(call, now, tomorrow).status_code == 201
    day = call("freya").get(DAY).body
    assert [v["visit_id"] for v in day["visits"]] and {v["visit_id"] for v in day["visits"]} == {
        first["id"], second["id"]
    }  # fmt: skip
    both = [items(call, v) for v in (first, second)]
    total = {i["item"]: i["count"] for i in day["totals"]}
    for key in ("gloves", "wax_applicator:small", "drying_cotton", "table_cover"):
        assert total[key] == sum(found[key]["count"] for found in both)
    # One in each room is enough for whoever comes there, and each kit is itself.
    assert (total["mirror"], total["wax_pot_hard"]) == (2, 2)
    assert total[f"kit:{uid('brow kit 1')}"] == total[f"kit:{uid('brow kit 2')}"] == 1
    one_room = call("freya").get(f"{DAY}?room_id={uid('room 2')}").body
    assert [v["visit_id"] for v in one_room["visits"]] == [second["id"]]
    assert {i["item"]: i["count"] for i in one_room["totals"]}["mirror"] == 1
    next_day = call("freya").get(f"{DAY}?day=2026-05-07").body
    assert len(next_day["visits"]) == 1
    assert day["visits"][0]["complete"] is False


def test_in_a_room_of_the_day_is_only_what_is_done_there(call, now):
    there = line(now, "lip wax", room="room 2", kit=None, minutes=None)
    visit = book(call, now, line(now, minutes=60), there).body
    for room, size in (("room 1", "small"), ("room 2", "medium")):
        found = call("petra").get(f"{DAY}?room_id={uid(room)}").body["visits"]
        (one,) = found
        assert (one["visit_id"], one["rooms"]) == (visit["id"], [room])
        sizes = {i["size"] for i in one["items"] if i["code"] == "wax_applicator"}
        assert sizes == {size}


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("day=soon", 422),
        ("day=2026-02-30", 422),
        ("room_id=one", 422),
        (f"room_id={uid('nothing')}", 404),
        (f"room_id={uid('pier room')}", 404),
        ("day=0001-01-01", 422),
        ("day=9999-12-31", 422),
    ],
)
def test_a_day_or_room_that_is_none_is_refused(call, query, status):
    for address in (DAY, f"{DAY}-page"):
        refused = call("petra").get(f"{address}?{query}")
        assert refused.status_code == status, refused.body


def test_days_belong_to_those_of_the_place(call):
    for address in (DAY, f"{DAY}-page"):
        assert call("inga").get(address).status_code == 403
        assert call("hana").get(address).status_code == 404
        assert call("stranger").get(address).status_code == 404
    assert call("hana").get(f"locations/{HARBOR}/set-up-lists").status_code == 200


def test_many_visits_take_as_many_statements_as_one(db, now):
    # Rows that are copied in SQL have no changes in the feed, so not the fixture `call`.
    callers = {}

    def call(name):
        return callers.setdefault(name, Caller(secret_of(name)))

    visit = book(call, now).body
    assert tick(call, visit, "mirror").status_code == 201

    def counted(address):
        with CaptureQueriesContext(connection) as captured:
            found = call("petra").get(address)
        assert found.status_code == 200
        return len(captured), found

    few, _ = counted(DAY)
    with reading(BUSINESS), connection.cursor() as cursor:
        for table, key, of in (
            ("services_visit", "id", "r.id = %s"),
            ("services_line", "visit_id", "r.visit_id = %s"),
            ("services_set_up_tick", "visit_id", "r.visit_id = %s"),
        ):
            cursor.execute(
                f"INSERT INTO {table} SELECT (jsonb_populate_record(r, jsonb_build_object('id', "
                f"md5(r.id::text || n)::uuid, '{key}', md5(r.{key}::text || n)::uuid))).* "
                f"FROM {table} r, generate_series(1, 120) n WHERE {of}",
                [visit["id"]],
            )
    many, found = counted(DAY)
    assert many == few
    assert len(found.body["visits"]) == 121
    gloves = {i["item"]: i["count"] for i in found.body["totals"]}["gloves"]
    assert gloves == 121 * items(call, visit, "freya")["gloves"]["count"]
    assert all({i["item"]: i for i in v["items"]}["mirror"]["state"] == "laid_out" for v in found.body["visits"])  # fmt: skip
    paged, page = counted(f"{DAY}-page")
    assert paged == few
    assert page.content.decode().count("<h2>") == 122


def test_the_page_is_one_to_print_in_order_and_by_the_clock_of_the_place(call, now):
    visit = book(call, now, line(now, minutes=60)).body
    assert tick(call, visit, "mirror").status_code == 201
    found = call("freya").get(f"{DAY}-page", Accept="text/html")
    assert found.status_code == 200
    assert found.headers["Content-Type"].startswith("text/html")
    assert found.headers["Cache-Control"] == "no-store"
    text = found.content.decode()
    tags = Page(text).tags
    names = [name for name, _ in tags]
    # WCAG 2.2: 1.3.1 (headings in order, header cells), 2.4.2 (title), 3.1.1 (language).
    assert ("html", {"lang": "en"}) in tags
    assert names.count("h1") == names.count("main") == names.count("title") == 1
    assert [n for n in names if re.fullmatch("h[1-6]", n)] == ["h1", "h2", "h2"]
    assert names.count("table") == names.count("caption") == names.count("thead") == 2
    scopes = [attrs.get("scope") for name, attrs in tags if name == "th"]
    assert set(scopes) == {"row", "col"}
    rows = list(items(call, visit, "freya"))
    assert scopes.count("row") == 2 * len(rows)
    # One more for what is missing in stock.
    assert scopes.count("col") == 9
    assert "script" not in names
    assert not re.search(r"(src|href)=", text)
    # Set-up begins before the client comes; 60 minutes after noon in Chicago.
    starts = (now + timedelta(minutes=60)).astimezone(ZoneInfo("America/Chicago"))
    assert f"<h2>{starts:%H:%M}, room 1, Petra</h2>" in text
    assert "Cora" not in text
    assert re.search(r"&#9745; laid out</td><th role=\"rowheader\" scope=\"row\">Hand mirror", text)
    assert text.count("&#9745;") == 1


def test_the_page_of_an_empty_day_says_so(call):
    text = call("freya").get(f"{DAY}-page?day=2026-05-10").content.decode()
    assert "Nothing to lay out." in text
    assert "<table" not in text


def test_names_on_the_page_are_escaped(call, now):
    room = call("lena").get(f"rooms/{uid('room 1')}")
    named = call("lena").patch(f"rooms/{uid('room 1')}", {"name": "<b>room</b>"}, If_Match=room["ETag"])  # fmt: skip
    assert named.status_code == 200, named.body
    book(call, now)
    text = call("freya").get(f"{DAY}-page").content.decode()
    assert "<b>room" not in text
    assert "&lt;b&gt;room" in text


def test_what_was_laid_out_is_in_the_clients_export(call, now):
    visit = book(call, now).body
    assert tick(call, visit, "mirror").status_code == 201
    held = call("olga").get(f"clients/{uid('cora')}/export").body["tables"]["services_set_up_tick"]
    assert [(row["visit_id"], row["item"]) for row in held] == [(visit["id"], "mirror")]


def test_two_who_tick_the_last_items_at_once_complete_the_list_once(own_database):
    callers = {}

    def call(name):
        return callers.setdefault(name, Caller(secret_of(name)))

    visit = book(call, clock.now()).body
    rest = ("mirror", "waste_bag")
    tick_all(call, visit, but=rest)
    assert completed(visit) == []
    secrets = {who: secret_of(who) for who in ("petra", "lena", "freya", "olga")}

    def ticking(who, item):
        body = {"item": item, "laid_out": True}
        return lambda: Caller(secrets[who]).post(f"{path(visit)}/ticks", body)

    found = _at_once(*(ticking(who, item) for who in secrets for item in rest))
    assert [a.status_code for a in found] == [201] * 8, [getattr(a, "body", a) for a in found]
    assert listed(call, visit)["complete"]
    assert len(completed(visit)) == 1
    with reading(BUSINESS):
        assert SetUpTick.objects.filter(item__in=rest).count() == 8
