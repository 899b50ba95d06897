"""How many kits a day needs, over HTTP, held to what the search for starts itself answers."""

from datetime import timedelta

import pytest

from tests.services.builders import house_policy
from tests.services.day import book, line
from tests.services.test_availability import pick
from tests.world import LAKE, uid

PATH = f"locations/{LAKE}/kits-needed"


def brow(call, day="2026-05-06"):
    answer = call("freya").get(f"{PATH}?day={day}")
    assert answer.status_code == 200, answer.body
    (kind,) = [k for k in answer.body["kinds"] if k["kind"] == "brow"]
    return kind


def starts_left(call, now):
    """How many starts the search itself finds for the service with a kit until midnight, for who is free."""
    new = {"name": "Invented Nell", "location_id": str(LAKE)}
    client = call("freya").post("clients", new).body["id"]
    body = {
        "client_id": client, "lines": [pick("brow wax")], "from": now.isoformat(),
        "to": (now + timedelta(hours=12)).isoformat(), "limit": 200,
    }  # fmt: skip
    return len(call("freya").post(f"locations/{LAKE}/availability", body).body["options"])


def test_a_day_without_visits_needs_none_and_has_the_starts_that_the_search_finds(call, now):
    kind = brow(call)
    assert kind["needed"] == 0
    (starts,) = kind["starts"]
    assert starts["service_id"] == str(uid("brow wax"))
    assert starts["as_is"] == starts["one_more"] == starts_left(call, now)
    assert 0 < starts["one_less"] <= starts["as_is"] if kind["kits"] > 1 else True


def test_visits_side_by_side_need_a_kit_each_and_one_after_the_other_one(call, now):
    kits = brow(call)["kits"]
    assert book(call, now, line(now, minutes=60)).status_code == 201
    assert book(call, now, line(now, minutes=150)).status_code == 201
    assert brow(call)["needed"] == 1
    beside = line(now, minutes=60, who="lena", room="room 2", kit="brow kit 2")
    third = book(call, now, beside, client="celia")
    assert third.status_code == 201, third.body
    kind = brow(call)
    assert (kind["kits"], kind["needed"]) == (kits, 2)
    (starts,) = kind["starts"]
    assert (starts["one_less"] is None) == (kits == 2)
    # A kit more: what the search finds when there is one in earnest.
    new = {"name": "brow kit 9", "kind": "brow"}
    assert call("lena").post(f"locations/{LAKE}/kits", new).status_code == 201
    assert starts["one_more"] == starts_left(call, now)
    assert brow(call)["starts"][0]["as_is"] == starts["one_more"]


@pytest.mark.parametrize(
    "policy",
    [
        {"kit_wait_minutes": 30, "kit_wash_minutes": 30, "kit_dry_minutes": 30},
        {"kit_wash_minutes": 5, "kit_bath_capacity": 1},
        # Kits are seen to once more that day, and then on the next morning.
        {"kit_wash_minutes": 5, "kit_set_times": "08:00 15:00", "kit_bath_capacity": 1},
    ],
)
def test_the_way_back_counts_as_the_search_counts_it(call, now, policy):
    house_policy(**policy)
    assert book(call, now, line(now, minutes=60)).status_code == 201
    (starts,) = brow(call)["starts"]
    assert starts["as_is"] == starts_left(call, now)
    assert starts["one_less"] < starts["as_is"] <= starts["one_more"]


def test_a_kit_that_is_away_is_one_less_and_no_visit_needs_it(call, now):
    before = brow(call)["starts"][0]
    away = {
        "kit_id": str(uid("brow kit 1")), "kind": "repair", "starts_at": now.isoformat(),
        "ends_at": (now + timedelta(hours=12)).isoformat(),
    }  # fmt: skip
    assert call("lena").post(f"locations/{LAKE}/absences", away).status_code == 201
    kind = brow(call)
    assert kind["needed"] == 0
    assert kind["starts"][0]["as_is"] == before["one_less"]


def test_a_day_that_is_over_or_closed_has_no_starts_left(call, now):
    assert brow(call, "2026-05-05")["starts"] == []
    (sunday,) = brow(call, "2026-05-10")["starts"]
    assert sunday["as_is"] == sunday["one_more"] == 0
    house_policy(lead_minutes=100_000)
    assert brow(call)["starts"][0]["as_is"] == 0


@pytest.mark.parametrize("day", ["1999-12-31", "9999-12-31", "2026-02-29", "soon"])
def test_a_day_that_is_none_is_refused(call, day):
    assert call("freya").get(f"{PATH}?day={day}").status_code == 422


def test_who_may_read_it(call):
    assert call("stranger").get(PATH).status_code == 404
    assert call("henk").get(PATH).status_code == 404
    assert call("petra").get(PATH).status_code == 200
