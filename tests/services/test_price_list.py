"""The price list over HTTP."""

import json

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.rule_files import shipped_rule_set
from services.models import Line, Service
from spa_ops.tenancy.actions import add_location
from spa_ops.unit.work import reading
from tests.callers import Caller
from tests.services import builders
from tests.world import BUSINESS, HOURS, LAKE, actor, uid

BROW = f"services/{uid('brow wax')}"
CHIN = {
    "name": "Chin wax",
    "area": "chin",
    "method": "hard_wax",
    "hands_on_minutes": 10,
    "price_minor": 1400,
}


def entries(kind, subject):
    """(chain, facts) of the entries of a kind about a subject, oldest first."""
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT chain_id, facts FROM ledger_entry WHERE kind = %s AND subject_id = %s ORDER BY n",
            [kind, subject],
        )
        return [(chain, json.loads(facts)) for chain, facts in cursor.fetchall()]


def names(caller, query=""):
    return {s["name"] for s in caller.get(f"services{query}").body["items"]}


def test_a_lead_adds_a_service_in_the_currency_of_the_place_with_the_houses_minutes(call):
    added = call("lena").post("services", CHIN | {"rebook_weeks": 4, "room_features": ["steamer"]})
    assert added.status_code == 201, added.body
    body = added.body
    assert (body["currency"], body["active"], body["kit_kind"]) == ("USD", True, "")
    minutes = [
        body[f"{part}_minutes"] for part in ("set_up", "consultation", "aftercare", "clean_up")
    ]
    assert minutes == [5, 5, 5, 10]  # house policy
    ((chain, facts),) = entries("service.added", body["id"])
    # The price list is one for all locations: its entries are in the business's own chain.
    assert (chain, facts["price_minor"], facts["area"]) == (BUSINESS, 1400, "chin")
    assert "Chin wax" in names(call("hana"))


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"area": "moustache"}, "/area"),
        ({"method": "sugar rush"}, "/method"),
        ({"hands_on_minutes": 0}, "/hands_on_minutes"),
        ({"hands_on_minutes": 481}, "/hands_on_minutes"),
        ({"set_up_minutes": -1}, "/set_up_minutes"),
        ({"clean_up_minutes": 121}, "/clean_up_minutes"),
        ({"price_minor": -1}, "/price_minor"),
        ({"price_minor": 14.5}, "/price_minor"),
        ({"price_minor": 100_000_001}, "/price_minor"),
        ({"currency": "EUR"}, "/currency"),
        ({"currency": "usd"}, "/currency"),
        ({"rebook_weeks": 0}, "/rebook_weeks"),
        ({"room_features": ["wet room!"]}, "/room_features/0"),
        ({"kit_kind": "k" * 41}, "/kit_kind"),
        ({"name": " "}, "/name"),
        ({"prize_minor": 1}, "/prize_minor"),
    ],
)
def test_wrong_input_is_named_by_pointer_and_changes_nothing(call, wrong, pointer):
    lena = call("lena")
    before = lena.get("services").body["items"]
    refused = lena.post("services", CHIN | wrong)
    assert refused.status_code == 422, refused.body
    assert [e["pointer"] for e in refused.body["errors"]] == [pointer]
    assert lena.patch(BROW, wrong, If_Match=lena.get(BROW)["ETag"]).status_code == 422
    assert lena.get("services").body["items"] == before


def test_every_area_and_method_of_the_screening_rules_can_be_on_the_list(call):
    rules = shipped_rule_set()
    lena = call("lena")
    tried = lena.post("skin-products", {"name": "Invented tint", "supplier": "Invented Alba"})
    pairs = [(area, "hard_wax") for area in rules.tree.touching]
    pairs += [("face", method) for method in rules.methods]
    for area, method in pairs:
        added = lena.post(
            "services",
            CHIN | {"area": area, "method": method, "skin_product_ids": [tried.body["id"]]},
        )
        assert added.status_code == 201, added.body


def test_with_two_currencies_the_owner_says_which(call, now):
    place = {"name": "Quay", "zone": "Europe/Berlin", "country": "DE", "jurisdiction": "de-be"}
    add_location(actor=actor("olga"), now=now, currency="EUR", opening_hours=HOURS, **place)
    olga = call("olga")
    refused = olga.post("services", CHIN)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/currency")
    assert olga.post("services", CHIN | {"currency": "EUR"}).status_code == 201
    # A lead's own place takes dollars only.
    assert call("lena").post("services", CHIN | {"currency": "EUR"}).status_code == 422
    assert call("lena").post("services", CHIN).body["currency"] == "USD"


def test_a_change_needs_the_present_version(call):
    lena = call("lena")
    read = lena.get(BROW)
    assert lena.patch(BROW, {"price_minor": 2400}).status_code == 428
    changed = lena.patch(BROW, {"price_minor": 2400}, If_Match=read["ETag"])
    assert (changed.status_code, changed.body["price_minor"]) == (200, 2400)
    stale = lena.patch(BROW, {"price_minor": 2500}, If_Match=read["ETag"])
    assert (stale.status_code, stale.body["current_version"]) == (412, changed.body["version"])
    ((_, facts),) = entries("service.changed", uid("brow wax"))
    assert (facts["fields"], facts["price_minor"]) == (["price_minor"], 2400)
    same = lena.patch(BROW, {"price_minor": 2400}, If_Match=changed["ETag"])
    assert same["ETag"] == changed["ETag"]


def test_a_service_can_ask_for_every_kind_that_kits_are_added_with(call):
    lena = call("lena")
    kit = lena.post(f"locations/{LAKE}/kits", {"name": "Face wax kit 1", "kind": "Face wax kit"})
    assert kit.status_code == 201, kit.body
    asked = {"kit_kind": kit.body["kind"]}
    changed = lena.patch(BROW, asked, If_Match=lena.get(BROW)["ETag"])
    assert (changed.status_code, changed.body["kit_kind"]) == (200, "Face wax kit")
    assert lena.post("services", CHIN | asked).body["kit_kind"] == "Face wax kit"


def test_what_is_booked_keeps_its_price_area_and_method(call):
    with reading(BUSINESS):
        brow = Service.objects.get(id=uid("brow wax"))
    visit = builders.visit(of=brow)
    lena = call("lena")
    change = {"price_minor": 9900, "area": "lip", "method": "soft_wax"}
    assert lena.patch(BROW, change, If_Match=lena.get(BROW)["ETag"]).status_code == 200
    with reading(BUSINESS):
        line = Line.objects.get(visit=visit)
    assert (line.price_minor, line.area, line.method) == (2200, "brow", "hard_wax")


def test_a_retired_service_is_offered_no_more_and_stays_readable(call):
    lena = call("lena")
    etag = lena.get(BROW)["ETag"]
    assert lena.post(f"{BROW}/retire").status_code == 428
    retired = lena.post(f"{BROW}/retire", If_Match=etag)
    assert (retired.status_code, retired.body["active"]) == (200, False)
    assert lena.post(f"{BROW}/retire", If_Match=etag).status_code == 412
    again = lena.post(f"{BROW}/retire", If_Match=retired["ETag"])
    assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")
    changed = lena.patch(BROW, {"name": "X"}, If_Match=retired["ETag"])
    assert changed.body["type"] == "/problems/wrong-state"
    assert "Brow Wax" not in names(lena, "?active=true")
    assert names(lena, "?active=false") == {"Brow Wax"}
    assert len(entries("service.retired", uid("brow wax"))) == 1


def test_the_list_is_by_name_and_narrowed_by_area(call):
    freya = call("freya")
    items = freya.get("services").body["items"]
    assert [s["name"] for s in items] == sorted(s["name"] for s in items)
    assert names(freya, "?area=brow") == {"Brow Wax"}
    assert names(freya, "?area=brow&active=false") == set()
    assert freya.get("services?area=moustache").status_code == 422
    assert freya.get("services?active=perhaps").status_code == 422


def test_the_list_takes_the_same_statements_however_many_rows(call):
    lena = call("lena")

    def statements():
        with CaptureQueriesContext(connection) as caught:
            lena.get("services?active=true&area=chin")
        return len(caught)

    few = statements()
    for n in range(10):
        lena.post("services", CHIN | {"name": f"Chin wax {n}"})
    assert statements() == few


@pytest.mark.parametrize("who", ["freya", "petra", "inga"])
def test_only_leads_and_the_owner_write_the_price_list(call, who):
    before = names(call("lena"))
    assert call(who).post("services", CHIN).status_code == 403
    assert call(who).patch(BROW, {"price_minor": 1}, If_Match='"1"').status_code == 403
    assert call(who).post(f"{BROW}/retire", If_Match='"1"').status_code == 403
    assert names(call("lena")) == before


def test_an_inspector_does_not_read_it_and_another_business_has_its_own(call):
    assert call("inga").get("services").status_code == 403
    stranger = call("stranger")
    assert names(stranger) == set()
    assert stranger.get(BROW).status_code == 404
    assert stranger.patch(BROW, {"price_minor": 1}, If_Match='"1"').status_code == 404
    assert stranger.post(f"{BROW}/retire", If_Match='"1"').status_code == 404


def test_a_shared_device_reads_the_price_list_before_anyone_has_unlocked_it(call):
    issued = call("lena").post(f"locations/{LAKE}/devices", {"name": "tablet"}).body
    assert "Brow Wax" in names(Caller(issued["secret"]))
