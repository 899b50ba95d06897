"""Booking over HTTP: what is taken, what a clash says, and what moving and cancelling keep."""

from datetime import timedelta

import pytest

from spa_ops.kernel import clock
from tests.services.day import book, line
from tests.world import HARBOR, LAKE, uid


def test_a_visit_takes_client_practitioner_room_and_kit(call, now):
    made = book(call, now, line(now), line(now, "lip wax", minutes=None, kit=None))
    assert made.status_code == 201, made.body
    brow, lip = made.body["lines"]
    # Back to back in one room: one consultation, one set-up, one turnover.
    assert (brow["ends_at"], lip["hands_on_at"]) == (lip["starts_at"], lip["starts_at"])
    assert brow["turnover_ends_at"] == brow["ends_at"]
    assert lip["set_up_at"] == lip["starts_at"]
    assert brow["set_up_at"] < brow["starts_at"]
    assert lip["turnover_ends_at"] > lip["ends_at"]


@pytest.mark.parametrize(
    ("other", "kind"),
    [
        ({"who": "lena", "kit": "brow kit 2"}, "room"),
        ({"room": "room 2", "kit": "brow kit 2"}, "practitioner"),
        ({"who": "lena", "room": "room 2"}, "kit"),
        ({"who": "lena", "room": "room 2", "kit": "brow kit 2", "client": "cora"}, "client"),
    ],
)
def test_a_clash_names_what_clashes_and_until_when(call, now, other, kind):
    assert book(call, now).status_code == 201
    client = other.pop("client", "celia")
    clash = book(call, now, line(now, minutes=65, **other), client=client)
    assert (clash.status_code, clash.body["type"]) == (409, "/problems/claim-clash")
    assert kind in {c["kind"] for c in clash.body["clashes"]}
    assert all(c["until"] > c["from"] for c in clash.body["clashes"])


def test_nobody_is_booked_next_door_during_their_own_turnover(call, now):
    first = book(call, now).body["lines"][0]
    # In the afternoon no attendant is on shift: Petra turns the room over herself.
    assert first["turnover_by"] == str(uid("petra"))
    soon = line(now, room="room 2", kit="brow kit 2") | {"starts_at": first["ends_at"]}
    refused = book(call, now, soon, client="celia")
    assert "turnover" in {c["phase"] for c in refused.body["clashes"]}
    later = soon | {"starts_at": first["turnover_ends_at"]}
    clash = book(call, now, later, client="celia")
    assert {c["kind"] for c in clash.body["clashes"]} == {
        "practitioner"
    }  # her set-up falls into it


def test_an_attendant_on_shift_does_set_up_and_turnover(call, now):
    # Thursday 09:40 in Chicago: Ada's shift is from nine to twelve.
    start = {"starts_at": "2026-05-07T09:40:00-05:00"}
    first = book(call, now, line(now) | start).body["lines"][0]
    assert (first["set_up_by"], first["turnover_by"]) == (str(uid("ada")), str(uid("ada")))
    next_door = line(now, room="room 2", kit="brow kit 2") | {"starts_at": first["ends_at"]}
    # With Ada to turn rooms over and set them up, Petra goes from one client to the next.
    second = book(call, now, next_door, client="celia")
    assert (second.status_code, second.body["lines"][0]["set_up_by"]) == (201, str(uid("ada")))


@pytest.mark.parametrize(
    ("wrong", "slug"),
    [
        ({"starts_at": "2026-05-06T16:59:00Z"}, "in-the-past"),
        ({"starts_at": "2026-05-07T03:00:00Z"}, "outside-opening-hours"),
        ({"starts_at": "2026-05-10T15:00:00Z"}, "outside-opening-hours"),  # a Sunday
        (
            {
                "service_id": str(uid("facial")),
                "practitioner_id": str(uid("pavel")),
                "kit_id": None,
            },
            "skill-missing",
        ),
        ({"kit_id": None}, "kit-missing"),
        ({"practitioner_id": str(uid("hana"))}, "licence-lapsed"),
        ({"room_id": str(uid("pier room"))}, "not-found"),
        ({"room_id": str(uid("far room"))}, "not-found"),
        ({"service_id": str(uid("nothing"))}, "not-found"),
        ({"practitioner_id": str(uid("stranger"))}, "skill-missing"),
    ],
)
def test_what_cannot_be_booked_says_why_and_takes_nothing(call, now, wrong, slug):
    head = call("lena").get(f"sync/{LAKE}/changes")["ETag"]
    refused = book(call, now, line(now) | wrong)
    assert refused.body["type"] == f"/problems/{slug}", refused.body
    assert call("lena").get(f"sync/{LAKE}/changes")["ETag"] == head
    assert book(call, now).status_code == 201


def test_a_licence_holds_through_its_last_day_in_local_time(call, now):
    # Valid through 31 December 2026; late that evening in Chicago it is 2027 in UTC already.
    last, first = "2026-12-31T18:00:00-06:00", "2027-01-02T10:00:00-06:00"
    assert book(call, now, line(now) | {"starts_at": last}).status_code == 201
    refused = book(call, now, line(now, kit="brow kit 2", room="room 2") | {"starts_at": first})
    assert refused.body["type"] == "/problems/licence-lapsed"


def test_another_business_is_not_there(call, now):
    assert book(call, now, client="nobody").body["type"] == "/problems/unknown-reference"
    assert book(call, now, by="stranger").status_code == 404
    visit = book(call, now).body["id"]
    for verb in ("move", "cancel", "arrive"):
        data = {"lines": [line(now)]} if verb == "move" else {}
        assert call("stranger").post(f"visits/{visit}/{verb}", data).status_code == 404
    assert call("henk").get(f"visits/{visit}").status_code == 404


def test_moving_frees_the_old_time_and_keeps_what_happened(call, now):
    visit = book(call, now).body
    path = f"visits/{visit['id']}"
    # To a time that overlaps its own old one: its own claims are no obstacle.
    moved = call("freya").post(
        f"{path}/move", {"lines": [line(now, minutes=70)], "reason": "asked"}
    )
    assert (moved.status_code, moved.body["version"]) == (200, 2)
    assert book(call, now, line(now, minutes=65), client="celia").status_code == 409
    changes = call("freya").get(f"{path}/changes").body["items"]
    assert [c["kind"] for c in changes] == ["booked", "moved"]
    assert (changes[1]["notice_minutes"], changes[1]["reason"]) == (60, "asked")


def test_cancelling_gives_the_time_back_and_keeps_notice_and_policy(call, now):
    visit = book(call, now).body
    with clock.stopped_at(now + timedelta(minutes=20)):
        gone = call("freya").post(f"visits/{visit['id']}/cancel", {"reason": "ill"})
    assert gone.body["state"] == "cancelled"
    last = call("freya").get(f"visits/{visit['id']}/changes").body["items"][-1]
    assert (last["kind"], last["notice_minutes"], last["person_id"]) == (
        "cancelled",
        40,
        str(uid("freya")),
    )
    assert "24 hours" in last["policy_shown"]
    assert book(call, now, client="celia").status_code == 201
    assert (
        call("freya").post(f"visits/{visit['id']}/cancel").body["type"] == "/problems/wrong-state"
    )


def test_a_no_show_is_one_only_when_the_time_has_come(call, now):
    visit = book(call, now).body
    assert call("freya").post(f"visits/{visit['id']}/no-show").status_code == 409
    with clock.stopped_at(now + timedelta(minutes=75)):
        assert call("freya").post(f"visits/{visit['id']}/no-show").body["state"] == "no_show"


def test_a_repeated_booking_is_one_booking(call, now):
    first = book(call, now, Idempotency_Key="b-1")
    again = book(call, now, Idempotency_Key="b-1")
    assert (again.status_code, again.body, again["Idempotency-Replayed"]) == (
        201,
        first.body,
        "true",
    )
    assert book(call, now, line(now, minutes=90), Idempotency_Key="b-1").status_code == 422


def test_a_walk_in_is_booked_and_here_in_one(call, now):
    made = call("freya").post(
        f"locations/{LAKE}/walk-ins",
        {"client_id": str(uid("celia")), "lines": [line(now, minutes=None)]},
    )
    assert (made.status_code, made.body["state"], made.body["walk_in"]) == (201, "arrived", True)
    clash = call("freya").post(
        f"locations/{LAKE}/walk-ins",
        {"client_id": str(uid("cora")), "lines": [line(now, minutes=None)]},
    )
    assert clash.body["type"] == "/problems/claim-clash"


def test_the_list_of_a_day_is_in_order_and_paged(call, now):
    for minutes in (240, 60, 150):
        assert book(call, now, line(now, minutes=minutes)).status_code == 201
    first = call("petra").get(f"locations/{LAKE}/visits?limit=2").body
    rest = call("petra").get(f"locations/{LAKE}/visits?limit=2&cursor={first['next']}").body
    starts = [v["starts_at"] for v in first["items"] + rest["items"]]
    assert starts == sorted(starts)
    assert (len(starts), rest["next"]) == (3, None)
    assert call("petra").get(f"locations/{HARBOR}/visits").status_code == 404
