"""Sign-in, places, people, tokens and shared devices over HTTP."""

from datetime import timedelta

from spa_ops.kernel import clock
from spa_ops.kernel.problems import all_problems
from tests.callers import Caller
from tests.world import HARBOR, LAKE, uid


def test_sign_in_gives_a_token_that_works_and_can_be_revoked(call, now):
    wrong = call("").post("sign-in", {"login": "petra", "password": "not this one"})
    assert (wrong.status_code, wrong.body["type"]) == (401, "/problems/wrong-sign-in")
    given = call("").post("sign-in", {"login": "petra", "password": "invented-petra-password"})
    assert given.status_code == 200, given.body
    petra = Caller(given.body["secret"])
    assert petra.get("me").body["role"] == "practitioner"
    with clock.stopped_at(now + timedelta(days=1, seconds=1)):
        assert petra.get("me").status_code == 401
    assert petra.post(f"tokens/{given.body['token_id']}/revoke").status_code == 200
    assert petra.get("me").status_code == 401


def test_a_lead_sees_the_own_location_and_the_owner_all(call):
    assert [p["id"] for p in call("lena").get("locations").body["items"]] == [str(LAKE)]
    assert len(call("olga").get("locations").body["items"]) == 2
    assert call("lena").get(f"locations/{HARBOR}").status_code == 404
    assert call("stranger").get(f"locations/{LAKE}").status_code == 404


def test_a_change_needs_the_present_version(call):
    lena = call("lena")
    read = lena.get(f"locations/{LAKE}")
    path = f"locations/{LAKE}"
    assert lena.patch(path, {"name": "Lake Room"}).status_code == 428
    changed = lena.patch(path, {"name": "Lake Room"}, If_Match=read["ETag"])
    assert (changed.status_code, changed.body["name"]) == (200, "Lake Room")
    stale = lena.patch(path, {"name": "Third"}, If_Match=read["ETag"])
    assert (stale.status_code, stale.body["current_version"]) == (412, 2)
    assert lena.get(path, If_None_Match=changed["ETag"]).status_code == 304


def test_wrong_input_is_named_by_pointer_and_changes_nothing(call):
    olga = call("olga")
    before = len(olga.get("locations").body["items"])
    given = {"name": "X", "zone": "Mars/Base", "country": "US", "jurisdiction": "us-tx", "currency": "USD",
             "opening_hours": {}}  # fmt: skip
    refused = olga.post("locations", given)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, "/zone")
    unknown = olga.post("locations", given | {"zoen": "x"})
    assert unknown.body["errors"][0] == {
        "pointer": "/zoen",
        "code": "unknown",
        "message": "is not a field of this request",
    }
    assert len(olga.get("locations").body["items"]) == before


def test_a_shared_device_acts_for_whoever_unlocked_it(call, now):
    issued = call("lena").post(f"locations/{LAKE}/devices", {"name": "tablet"})
    assert issued.status_code == 201, issued.body
    tablet = Caller(issued.body["secret"])
    assert tablet.get("me").body["role"] == "device"
    change = {"name": "Nobody's"}
    assert (
        tablet.patch(f"locations/{LAKE}", change, If_Match='"1"').body["type"]
        == "/problems/acting-person-required"
    )
    assert (
        tablet.post("device/unlock", {"person_id": str(uid("lena")), "pin": "9999"}).status_code
        == 403
    )
    assert (
        tablet.post("device/unlock", {"person_id": str(uid("lena")), "pin": "2468"}).status_code
        == 200
    )
    as_lena = {"Acting_Person": str(uid("lena"))}
    me = tablet.get("me", **as_lena).body
    assert (me["role"], me["auth"], me["device_id"] is not None) == ("lead", "device_pin", True)
    # Unlocked for Lena is not unlocked for Petra.
    assert tablet.get("me", Acting_Person=str(uid("petra"))).body["role"] == "device"
    assert tablet.post("device/lock", **as_lena).body == {"locked": 1}
    assert tablet.get("me", **as_lena).body["role"] == "device"


def test_five_wrong_pins_close_the_door(call):
    tablet = Caller(
        call("lena").post(f"locations/{LAKE}/devices", {"name": "tablet"}).body["secret"]
    )
    wrong = {"person_id": str(uid("pavel")), "pin": "0000"}
    assert [tablet.post("device/unlock", wrong).status_code for _ in range(6)] == [403] * 5 + [429]


def test_a_lead_cannot_make_an_owner_and_an_inspector_ends_by_itself(call, now):
    lena = call("lena")
    person = lena.post("people", {"name": "Invented Nell"}).body
    path = f"people/{person['id']}/memberships"
    assert lena.post(path, {"role": "owner"}).status_code == 403
    assert lena.post(path, {"role": "front_desk", "location_id": str(HARBOR)}).status_code == 404
    assert lena.post(path, {"role": "inspector", "location_id": str(LAKE)}).status_code == 201
    assert call("inga").get("me").status_code == 200
    with clock.stopped_at(now + timedelta(hours=72)):
        assert call("inga").get("me").status_code == 401


def test_a_repeat_with_the_same_key_is_the_same_person(call):
    lena = call("lena")
    first = lena.post("people", {"name": "Invented Nell"}, Idempotency_Key="nell-1")
    again = lena.post("people", {"name": "Invented Nell"}, Idempotency_Key="nell-1")
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.body == again.body
    assert again["Idempotency-Replayed"] == "true"
    other = lena.post("people", {"name": "Somebody"}, Idempotency_Key="nell-1")
    assert (other.status_code, other.body["type"]) == (422, "/problems/idempotency-key-reused")


def test_the_docs_page_signs_in_with_a_session_and_csrf(db):
    from django.test import Client

    browser = Client(enforce_csrf_checks=True)
    page = browser.get("/api/docs")
    assert page.status_code == 200
    form = {"login": "olga", "password": "invented-olga-password"}
    assert browser.post("/api/docs/sign-in", form).status_code == 403
    token = page.cookies["csrftoken"].value
    assert (
        browser.post("/api/docs/sign-in", form | {"csrfmiddlewaretoken": token}).status_code == 302
    )
    assert browser.get("/api/v1/me").json()["auth"] == "session"
    person = {"name": "Invented Nell"}
    assert (
        browser.post("/api/v1/people", person, content_type="application/json").status_code == 403
    )
    token = browser.cookies["csrftoken"].value
    headers = {"X-CSRFToken": token}
    assert (
        browser.post(
            "/api/v1/people", person, content_type="application/json", headers=headers
        ).status_code
        == 201
    )
    browser.post("/api/docs/sign-out", {"csrfmiddlewaretoken": token})
    assert browser.get("/api/v1/me").status_code == 401


def test_health_needs_nobody_and_unknown_addresses_are_problems(call):
    assert call("").get("health").body == {"status": "ok"}
    assert call("").get("nothing-here").body["type"] == "/problems/not-found"
    assert call("").get("/problems/stale-version").status_code == 200
    assert call("").get("/problems/no-such-problem").status_code == 404
    catalogue = call("").get("/problems").content.decode()
    assert all(
        kind.slug in catalogue
        for kind in all_problems()
        if kind.__module__.partition(".")[0] != "tests"
    )
