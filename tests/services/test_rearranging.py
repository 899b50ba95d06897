"""A broken day over HTTP: what is proposed, what carrying it out does, and what stops it."""

import random
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime, timedelta
from itertools import product
from uuid import UUID

import pytest
from django.db import connections

from services.actions.booking import book_visit
from services.actions.plans import LineRequest
from spa_ops.claims.models import Claim
from spa_ops.claims.problems import ClaimClash
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.services.builders import house_policy
from tests.services.day import book, line
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid

PATH = f"locations/{LAKE}/rearrangements"


def away(name, now, first=0, last=24 * 60):
    return {
        "id": str(uid(name)),
        "from": (now + timedelta(minutes=first)).isoformat(),
        "until": (now + timedelta(minutes=last)).isoformat(),
    }


def proposed(call, *outages, by="freya", **more):
    found = call(by).post(PATH, {"outages": list(outages), **more})
    assert found.status_code == 201, found.body
    return found.body


def carried_out(call, proposal, by="freya"):
    return call(by).post(f"rearrangements/{proposal['id']}/apply")


def booked(call, now, minutes, client="cora", **more):
    found = book(call, now, line(now, minutes=minutes, **more), client=client)
    assert found.status_code == 201, found.body
    return found.body


def visit_now(call, visit):
    return call("freya").get(f"visits/{visit['id']}").body


def double_claims():
    """Pairs of claims of one bookable that overlap, by comparing all with all."""
    with reading(BUSINESS):
        claims = list(Claim.objects.filter(hold_expires_at=None))
    return [
        (a.id, b.id)
        for a in claims
        for b in claims
        if a.id < b.id
        and a.bookable_id == b.bookable_id
        and a.span.lower < b.span.upper
        and b.span.lower < a.span.upper
    ]


def test_a_day_that_works_needs_nothing(call, now):
    assert proposed(call)["visits"] == []
    booked(call, now, 60)
    found = proposed(call)
    assert (found["visits"], found["unchanged"], found["is_best"]) == ([], 1, True)
    assert set(found["cost"].values()) == {0}
    done = carried_out(call, found)
    assert done.status_code == 200 and done.body["applied_at"]


def test_the_day_is_the_one_on_which_somebody_is_away_first(call, now):
    today = booked(call, now, 60)
    found = proposed(call, away("petra", now, 24 * 60, 30 * 60))
    tomorrow = (now + timedelta(days=1)).date().isoformat()
    assert (found["day"], found["visits"], found["unchanged"]) == (tomorrow, [], 0)
    # Who is away already is away today.
    found = proposed(call, away("petra", now, -3 * 24 * 60))
    assert (found["day"], found["visits"][0]["visit_id"]) == (now.date().isoformat(), today["id"])


def test_whoever_is_ill_is_stood_in_for_at_the_same_time(call, now):
    visit = booked(call, now, 60)
    found = proposed(call, away("petra", now))
    (moved,) = found["visits"]
    assert (moved["visit_id"], moved["is_left"]) == (visit["id"], False)
    (before,), (after,) = moved["before"], moved["after"]
    assert before["practitioner_id"] == str(uid("petra"))
    assert after["practitioner_id"] != str(uid("petra"))
    assert datetime.fromisoformat(after["starts_at"]) == datetime.fromisoformat(visit["starts_at"])
    assert (found["cost"]["moved"], found["cost"]["other_practitioners"]) == (0, 1)
    # Proposing moves nobody.
    assert visit_now(call, visit)["version"] == visit["version"]
    assert carried_out(call, found).status_code == 200
    now_by = visit_now(call, visit)["lines"][0]
    for name in ("practitioner_id", "room_id", "kit_id", "set_up_by", "turnover_by"):
        assert now_by[name] == after[name]
    assert double_claims() == []
    again = carried_out(call, found)
    assert (again.status_code, again.body["type"]) == (409, "/problems/wrong-state")


def test_what_was_booked_shortened_is_planned_anew_shortened(call, now):
    service = call("lena").get(f"services/{uid('brow wax')}")
    change = call("lena").patch(
        f"services/{uid('brow wax')}",
        {"shortest_hands_on_minutes": 5},
        If_Match=f'"{service.body["version"]}"',
    )
    assert change.status_code == 200, change.body
    made = book(call, now, line(now, minutes=60) | {"shortened": True})
    assert made.status_code == 201, made.body
    found = proposed(call, away("petra", now))
    (before,), (after,) = found["visits"][0]["before"], found["visits"][0]["after"]
    assert (after["starts_at"], after["ends_at"]) == (before["starts_at"], before["ends_at"])
    assert carried_out(call, found).status_code == 200
    moved = visit_now(call, made.body)["lines"][0]
    assert (moved["ends_at"][:19], moved["shortened"]) == (after["ends_at"][:19], True)


def test_a_room_out_of_use_moves_the_client_to_another(call, now):
    visit = booked(call, now, 60)
    found = proposed(call, away("room 1", now))
    (moved,) = found["visits"]
    assert moved["after"][0]["room_id"] != str(uid("room 1"))
    assert found["cost"]["moved"] == 0 and found["cost"]["other_things"] == 1
    assert carried_out(call, found).status_code == 200
    assert visit_now(call, visit)["lines"][0]["room_id"] == moved["after"][0]["room_id"]


def test_what_has_no_place_is_left_as_it_is(call, now):
    visit = booked(call, now, 60)
    everyone = [away(name, now) for name in ("petra", "pavel", "lena")]
    found = proposed(call, *everyone)
    (left,) = found["visits"]
    assert (left["is_left"], left["after"], found["cost"]["without_place"]) == (True, None, 1)
    assert carried_out(call, found).status_code == 200
    assert visit_now(call, visit)["version"] == visit["version"]


def test_a_day_that_has_changed_is_not_rearranged(call, now):
    visit = booked(call, now, 60)
    found = proposed(call, away("petra", now))
    other = booked(call, now, 240, client="celia", who="pavel", room="room 2", kit="brow kit 2")
    refused = carried_out(call, found)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/day-changed")
    assert refused.body["visit_ids"] == [other["id"]]
    assert visit_now(call, visit)["version"] == visit["version"]
    found = proposed(call, away("petra", now))
    assert (
        call("freya").post(f"visits/{visit['id']}/cancel", {"reason": "invented"}).status_code
        == 200
    )
    refused = carried_out(call, found)
    assert (refused.status_code, refused.body["visit_ids"]) == (409, [visit["id"]])


def test_one_clash_moves_nobody(call, now):
    first = booked(call, now, 60)
    found = proposed(call, away("petra", now))
    after = found["visits"][0]["after"][0]
    # Somebody's hold takes the stand-in meanwhile, in another room: no booked visit has changed.
    held = line(now, minutes=60, room="room 2", kit="brow kit 2")
    held["practitioner_id"] = after["practitioner_id"]
    kept = call("lena").post(f"locations/{LAKE}/holds", {"lines": [held]})
    assert kept.status_code == 201, kept.body
    refused = carried_out(call, found)
    assert (refused.status_code, refused.body["type"]) == (409, "/problems/claim-clash")
    assert visit_now(call, first)["version"] == first["version"]
    assert double_claims() == []


def test_bad_input_is_named_and_changes_nothing(call, now):
    for body, pointer in [
        ({"outages": [away("petra", now, 60, 30)]}, "/outages/0/until"),
        ({"outages": [away("hana", now)]}, "/outages/0/id"),
        ({"outages": [away("petra", now)] * 21}, "/outages"),
        ({"day": "2026-05-05"}, "/day"),
        ({"most_minutes": -1}, "/most_minutes"),
        ({"seconds": 21}, "/seconds"),
    ]:
        refused = call("freya").post(PATH, body)
        assert refused.status_code == 422, body
        assert [e["pointer"] for e in refused.body["errors"]] == [pointer]
    assert call("petra").post(PATH, {}).status_code == 403
    assert call("freya").post(f"locations/{HARBOR}/rearrangements", {}).status_code == 404
    assert call("freya").get(f"rearrangements/{uid('nothing')}").status_code == 404
    found = proposed(call)
    assert call("henk").get(f"rearrangements/{found['id']}").status_code == 404
    assert call("henk").post(f"rearrangements/{found['id']}/apply").status_code == 404
    assert call("lena").get(f"rearrangements/{found['id']}").body == found


def test_two_who_agree_at_once_move_everybody_once(own_database, now):
    visit = booked(lambda name: Caller(secret_of(name)), now, 60)
    found = proposed(lambda name: Caller(secret_of(name)), away("petra", now))

    def agree(name):
        try:
            return Caller(secret_of(name)).post(f"rearrangements/{found['id']}/apply").status_code
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(agree, ["freya", "lena"])) == [200, 409]
    moved = Caller(secret_of("freya")).get(f"visits/{visit['id']}").body
    assert moved["version"] == visit["version"] + 1


@pytest.mark.parametrize(
    ("opens", "policy"),
    [
        (0, {}),
        # Attendants in the morning, and free minutes around everybody: Ada is on shift until noon.
        (22, {"practitioner_buffer_before_minutes": 5, "practitioner_buffer_after_minutes": 10}),
        (22, {"room_buffer_before_minutes": 5, "practitioner_buffer_after_minutes": 5,
              "kit_wash_minutes": 5, "kit_dry_minutes": 5}),
    ],
)  # fmt: skip
def test_a_full_day_is_carried_out_exactly_as_proposed(call, now, opens, policy):
    """Whoever leads is ill from the second hour on; what is proposed is what everybody then has."""
    house_policy(**policy)
    now += timedelta(hours=opens)
    visits = []
    for n in range(18):
        client = f"guest {n}"
        made = call("freya").post(
            "clients",
            {"id": str(uid(client)), "name": f"Invented {client}", "location_id": str(LAKE), "birth_date": "1990-05-05"},
        )  # fmt: skip
        assert made.status_code == 201, made.body
        who = ("petra", "pavel", "lena")[n % 3]
        place = {"room": f"room {1 + n % 2}", "kit": f"brow kit {1 + n % 2}"}
        asked = line(now, minutes=30 + 25 * (n // 2), who=who, **place)
        found = book(call, now, asked, client=client)
        assert found.status_code in {201, 409}, found.body
        if found.status_code == 201:
            visits.append(found.body)
    assert len(visits) >= 5
    found = proposed(
        call, away("petra", now, 60), away("brow kit 1", now, 90, 150), most_minutes=240,
        day=f"{now:%Y-%m-%d}",
    )  # fmt: skip
    assert any(v["after"] for v in found["visits"])
    done = carried_out(call, found)
    assert done.status_code == 200, done.body
    assert double_claims() == []
    for proposal in found["visits"]:
        lines = call("freya").get(f"visits/{proposal['visit_id']}").body["lines"]
        for is_now, said in zip(lines, proposal["after"] or proposal["before"], strict=True):
            for name in ("practitioner_id", "room_id", "kit_id", "set_up_by", "turnover_by"):
                assert is_now[name] == said[name]
            for name in ("starts_at", "ends_at"):
                assert datetime.fromisoformat(is_now[name]) == datetime.fromisoformat(said[name])
    # Once carried out there is nothing left to do but for those without a place.
    again = proposed(
        call, away("petra", now, 60), away("brow kit 1", now, 90, 150), most_minutes=240,
        day=f"{now:%Y-%m-%d}",
    )  # fmt: skip
    left = {v["visit_id"] for v in found["visits"] if v["is_left"]}
    assert {v["visit_id"] for v in again["visits"] if v["is_left"]} == left
    assert again["cost"] == dict.fromkeys(again["cost"], 0) | {"without_place": len(left)}
    # Who sets up and turns over is nothing that a client sees: equally good is as good.
    for visit in (v for v in again["visits"] if v["after"]):
        for was, now_is in zip(visit["before"], visit["after"], strict=True):
            assert was | {"set_up_by": "", "turnover_by": ""} == now_is | {
                "set_up_by": "", "turnover_by": "",
            }  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    "policy",
    [
        {"kit_bath_capacity": 1, "kit_wash_minutes": 5, "kit_dry_minutes": 5},
        {"kit_bath_capacity": 2, "kit_wait_minutes": 10, "kit_set_times": "12:40 13:25 14:10 15:00 16:00 17:30 18:30"},
        {"kit_bath_capacity": 1, "kit_set_times": "12:40 13:25 14:10 15:00 15:30 16:00 17:30 18:30", "room_buffer_after_minutes": 5},
    ],
    ids=["one place", "two at set times", "one at set times"],
)  # fmt: skip
def test_a_full_day_through_one_bath_is_carried_out_exactly_as_proposed(call, now, policy, seed):
    """Kits that move wait for each other's places in the bath as the proposal says, and no clash comes of it."""
    dice = random.Random(seed)
    house_policy(**policy)
    kits = [str(uid("brow kit 1")), str(uid("brow kit 2"))]
    for n in range(2):
        new = {"name": f"tray {n}", "kind": "brow"}
        kits.append(call("lena").post(f"locations/{LAKE}/kits", new).body["id"])
    booked_visits = 0
    for n in range(20):
        client = f"guest {n}"
        new = {"id": str(uid(client)), "name": f"Invented {client}", "location_id": str(LAKE), "birth_date": "1990-05-05"}  # fmt: skip
        assert call("freya").post("clients", new).status_code == 201
        for who, kit in dice.sample(list(product(("petra", "pavel", "lena"), kits)), 8):
            request = LineRequest(
                service_id=uid("brow wax"),
                practitioner_id=uid(who),
                room_id=uid(f"room {1 + n % 2}"),
                kit_id=UUID(kit),
                starts_at=now + timedelta(minutes=20 + 30 * (n // 2)),
            )
            with suppress(ClaimClash):
                book_visit(
                    actor=actor("freya"), now=now, location_id=LAKE, client_id=uid(client), lines=[request]
                )  # fmt: skip
                booked_visits += 1
                break
    assert booked_visits >= 9
    ill = away(dice.choice(("petra", "pavel")), now, 15)
    found = proposed(call, ill, away("brow kit 1", now, 60, 200), most_minutes=240, seconds=4)
    assert any(v["after"] for v in found["visits"])
    done = carried_out(call, found)
    assert done.status_code == 200, done.body
    assert double_claims() == []
    with reading(BUSINESS):
        soaks = [c.span for c in Claim.objects.filter(phase="soak", hold_expires_at=None)]
    # More never lie in the bath at once than it takes: counted at each that goes in.
    for one in soaks:
        at_once = sum(other.lower <= one.lower < other.upper for other in soaks)
        assert at_once <= policy["kit_bath_capacity"]
