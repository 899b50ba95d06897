"""A house policy that the program's rules no longer know: whoever screens is refused, and says so."""

from datetime import timedelta

import pytest
from drf_spectacular.generators import SchemaGenerator

from clients.models import ScreeningPolicy
from services.models import Line
from spa_ops.kernel import clock
from spa_ops.unit.work import reading, run
from tests.services.day import GLOVED, all_no, book, consult, in_room, line
from tests.world import BUSINESS, LAKE, actor, uid


@pytest.fixture
def here(call, now):
    """A client in the room, screened; then the policy of an older program that no longer fits."""
    visit = in_room(call, now)
    consult(call, visit)

    def make():
        ScreeningPolicy(
            business_id=BUSINESS,
            policy={"version": "old", "tighten": [{"rule": "gone_since", "why": "house"}]},
            version="old",
            digest="0" * 64,
            recorded_at=clock.now(),
        ).save(force_insert=True)

    run(make, actor=actor("olga"), now=clock.now())
    return visit


def asked(now):
    return {"client_id": str(uid("celia")), "lines": [{"service_id": line(now)["service_id"]}]}


def wished(now):
    day = now.date().isoformat()
    return asked(now) | {"from_on": day, "until_on": day}


def recurring(now):
    lines = [line(now, minutes=240)]
    return {"client_id": str(uid("celia")), "lines": lines, "rule": "FREQ=WEEKLY;COUNT=2"}


def requests(now, visit):
    return {
        "/visits/{id}/consultation": (visit["id"], "petra", {"answers": all_no()}),
        "/visits/{id}/consultation/strike-out": (visit["id"], "petra", {"item_id": None, "reason": "x"}),
        "/visits/{id}/spoken-list": (visit["id"], "petra", {}),
        "/visits/{id}/guardian": (visit["id"], "petra", {"present": True, "relation": "mother"}),
        "/visits/{id}/lines": (visit["id"], "petra", line(now, minutes=60)),
        "/lines/{id}/start": (visit["lines"][0]["id"], "petra", GLOVED),
        "/visits/{id}/reassign": (visit["id"], "freya", {"practitioner_id": str(uid("pavel"))}),
        "/locations/{id}/availability": (LAKE, "freya", asked(now) | {"from": now.isoformat()}),
        "/locations/{id}/recurring-visits/preview": (LAKE, "freya", recurring(now)),
        "/locations/{id}/waiting": (LAKE, "freya", wished(now)),
    }  # fmt: skip


@pytest.mark.parametrize("path", list(requests(clock.now(), {"id": "", "lines": [{"id": ""}]})))
def test_who_screens_is_refused_by_name_changes_nothing_and_documents_it(call, now, here, path):
    of, who, body = requests(now, here)[path]
    if "item_id" in body:
        items = call("petra").get(f"visits/{here['id']}/consultation").body["items"]
        body["item_id"] = items[0]["id"]
    with reading(BUSINESS):
        before = list(Line.objects.order_by("id").values())
    answer = call(who).post(path.replace("{id}", str(of)).lstrip("/"), body)
    assert (answer.status_code, answer.body["type"]) == (422, "/problems/house-policy-refused"), (
        answer.body
    )
    assert [fault["code"] for fault in answer.body["faults"]]
    with reading(BUSINESS):
        assert list(Line.objects.order_by("id").values()) == before
    assert "house-policy-refused" in documented(f"/api/v1{path}", "post")


def documented(path, method):
    document = SchemaGenerator().get_schema(request=None, public=True)
    return document["paths"][path][method]["responses"]["422"]["description"]


def test_the_spoken_list_and_the_rates_cannot_be_read_either(call, here):
    for path, of, who in (
        ("/visits/{id}/spoken-list", here["id"], "petra"),
        ("/locations/{id}/override-rates", LAKE, "lena"),
        ("/locations/{id}/kits-needed", LAKE, "freya"),
    ):
        answer = call(who).get(path.replace("{id}", str(of)).lstrip("/"))
        assert answer.body["type"] == "/problems/house-policy-refused", answer.body
        assert "house-policy-refused" in documented(f"/api/v1{path}", "get")


def test_a_day_cannot_be_rearranged_either(call, now, here):
    assert book(call, now, line(now, minutes=240), client="celia").status_code == 201
    answer = call("freya").post(f"locations/{LAKE}/rearrangements")
    assert answer.body["type"] == "/problems/house-policy-refused", answer.body
    assert "house-policy-refused" in documented("/api/v1/locations/{id}/rearrangements", "post")


def test_what_happened_is_kept_all_the_same_and_nothing_starts_by_an_older_verdict(call, now, here):
    told = {
        "kind": "burn",
        "what_happened": "wax too hot",
        "client_id": str(uid("cora")),
        "visit_id": here["id"],
    }
    assert call("petra").post(f"locations/{LAKE}/incidents", told).status_code == 201
    with reading(BUSINESS):
        assert Line.objects.get(visit_id=here["id"]).screened_on is None
        ours = ScreeningPolicy.objects.get()

    def newer():
        ScreeningPolicy(
            business_id=BUSINESS,
            policy={"version": "new"},
            version="new",
            digest="1" * 64,
            recorded_at=ours.recorded_at + timedelta(seconds=1),
        ).save(force_insert=True)

    run(newer, actor=actor("olga"), now=clock.now())
    refused = call("petra").post(f"lines/{here['lines'][0]['id']}/start", GLOVED)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/not-screened"), (
        refused.body
    )
