"""A kit stays away for its way back, where the house plans for it: in booking and availability alike."""

from datetime import datetime, timedelta

import pytest

from services.rules.kits import away_minutes
from spa_ops.claims.models import Claim
from spa_ops.tenancy.rules import house_policy as policy_from
from spa_ops.unit.work import reading
from tests.services.builders import house_policy
from tests.services.day import GLOVED, RECORD, WASHED, book, consult, in_room, line
from tests.services.test_availability import found, pick
from tests.world import BUSINESS, LAKE, uid

MINUTE = timedelta(minutes=1)
WAY_BACK = {
    "kit_wait_minutes": 10,
    "kit_wash_minutes": 5,
    "kit_rinse_minutes": 2,
    "kit_dry_minutes": 8,
}
#: The invented quaternary concentrate of the tests' world: 10 minutes by its label.
CONTACT = 10


def kit_claims(kit="brow kit 1"):
    with reading(BUSINESS):
        rows = Claim.objects.filter(bookable_id=uid(kit)).order_by("span")
        return [(c.phase, c.span.lower, c.span.upper) for c in rows]


def test_a_kit_is_taken_until_it_is_back_and_not_a_minute_longer(call, now):
    house_policy(**WAY_BACK)
    booked = book(call, now, line(now, minutes=60))
    assert booked.status_code == 201, booked.body
    over = datetime.fromisoformat(booked.body["lines"][0]["turnover_ends_at"])
    back = over + (25 + CONTACT) * MINUTE
    assert [(p, b) for p, _, b in kit_claims()] == [("service", over), ("reprocessing", back)]
    set_up = datetime.fromisoformat(booked.body["lines"][0]["starts_at"]) - datetime.fromisoformat(
        booked.body["lines"][0]["set_up_at"]
    )
    early = line(back + set_up - MINUTE, minutes=0)
    refused = book(call, now, early, client="celia")
    assert {(c["kind"], c["phase"]) for c in refused.body["clashes"]} == {("kit", "reprocessing")}
    assert book(call, now, line(back + set_up, minutes=0), client="celia").status_code == 201


def test_what_is_offered_with_a_kit_can_be_booked_and_nothing_else_can(call, now):
    house_policy(**WAY_BACK)
    assert book(call, now, line(now, minutes=60)).status_code == 201
    away = {
        "kit_id": str(uid("brow kit 2")), "kind": "repair", "starts_at": now.isoformat(),
        "ends_at": (now + timedelta(hours=12)).isoformat(),
    }  # fmt: skip
    assert call("lena").post(f"locations/{LAKE}/absences", away).status_code == 201
    end = now + timedelta(hours=4)
    asked = pick("brow wax", practitioner="lena", room="room 2")
    given = found(call, now, asked, client="celia", to=end.isoformat(), limit=200)
    offered = {datetime.fromisoformat(o["starts_at"]) for o in given["options"]}
    at = now
    while at < end:
        want = line(at, who="lena", room="room 2", minutes=0)
        tried = book(call, now, want, client="celia")
        assert (tried.status_code == 201) == (at in offered), (at, tried.body)
        if tried.status_code == 201:
            path = f"visits/{tried.body['id']}/cancel"
            assert call("freya").post(path, {}, If_Match=tried["ETag"]).status_code == 200
        at += 10 * MINUTE
    assert offered


def test_when_the_client_leaves_the_way_back_begins(call, now):
    house_policy(**WAY_BACK)
    visit = in_room(call, now)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    assert call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED}).status_code == 200
    assert call("petra").post(f"visits/{visit['id']}/leave").status_code == 200
    ((phase, first, last),) = kit_claims()
    assert phase == "reprocessing" and first == now
    assert last >= now + (25 + CONTACT) * MINUTE


def test_without_the_policy_a_kit_is_free_after_the_turnover(call, now):
    assert book(call, now, line(now, minutes=60)).status_code == 201
    assert [phase for phase, _, _ in kit_claims()] == ["service"]


@pytest.mark.parametrize(
    ("policy", "contact", "minutes"),
    [({}, 600, 0), (WAY_BACK, 600, 35), (WAY_BACK, 601, 36), (WAY_BACK, None, 25), ({"kit_dry_minutes": 1}, 0, 1)],
)  # fmt: skip
def test_the_way_back_is_the_sum_of_its_parts(policy, contact, minutes):
    assert away_minutes(policy_from(policy), contact) == minutes
