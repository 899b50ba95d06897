"""Visits that belong together, over HTTP: all or none, whatever is in the way of one of them."""

from datetime import datetime, timedelta

from services.models import Visit
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.day import book, line
from tests.services.test_changing import claims_match
from tests.services.test_holds import at_once, slug
from tests.world import BUSINESS, LAKE, uid

PATH = f"locations/{LAKE}/linked-visits"
MINUTE = timedelta(minutes=1)


def lip(now, minutes=60, who="petra", room="room 1"):
    return line(now, "lip wax", who, room, kit=None, minutes=minutes)


def couple(now, minutes=60, *, second=None, arrangement="together"):
    other = lip(now, second, "lena", "room 2")
    return {
        "arrangement": arrangement,
        "visits": [
            {"client_id": str(uid("cora")), "lines": [lip(now, minutes)]},
            {"client_id": str(uid("celia")), "lines": [other]},
        ],
    }


def visits():
    with reading(BUSINESS):
        return Visit.objects.count()


def starts(answer):
    return [datetime.fromisoformat(v["starts_at"]) for v in answer.body["items"]]


def test_a_couple_begins_at_the_same_time_in_two_rooms(call, now):
    made = call("freya").post(PATH, couple(now), Idempotency_Key="both")
    assert made.status_code == 201, made.body
    assert starts(made) == [now + 60 * MINUTE] * 2
    assert {v["link_id"] for v in made.body["items"]} == {made.body["link_id"]}
    again = call("freya").post(PATH, couple(now), Idempotency_Key="both")
    assert (again.status_code, again.body["link_id"], visits()) == (201, made.body["link_id"], 2)
    listed = call("freya").get(f"locations/{LAKE}/visits?link={made.body['link_id']}").body["items"]
    assert len(listed) == 2
    assert claims_match()


def test_a_parent_and_a_child_come_one_after_the_other_in_one_room(call, now):
    one_room = couple(now, arrangement="in_turn")
    one_room["visits"][1]["lines"] = [lip(now, None)]
    made = call("freya").post(PATH, one_room)
    assert made.status_code == 201, made.body
    first, second = made.body["items"]
    # Turned over and set up between the two of them.
    assert second["lines"][0]["set_up_at"] >= first["lines"][0]["turnover_ends_at"]
    apart = call("freya").post(PATH, couple(now, 240, arrangement="in_turn"))
    first, second = apart.body["items"]
    assert second["starts_at"] == first["lines"][0]["ends_at"]
    assert claims_match()


def test_what_is_in_the_way_of_one_keeps_both_from_being_booked(call, now):
    assert (
        book(call, now, lip(now, 60, "lena", "room 2"), client="hugo", by="olga").status_code == 201
    )
    before = visits()
    refused = call("freya").post(PATH, couple(now))
    assert slug(refused) == "claim-clash"
    assert visits() == before and claims_match()
    no_skill = couple(now)
    no_skill["visits"][0]["lines"][0]["practitioner_id"] = str(uid("pavel"))
    assert slug(call("freya").post(PATH, no_skill)) == "skill-missing"
    same = couple(now)
    same["visits"][1]["client_id"] = same["visits"][0]["client_id"]
    alone = couple(now) | {"visits": couple(now)["visits"][:1]}
    later = couple(now, second=90)
    early = couple(now, second=60, arrangement="in_turn")
    no_start = couple(now, None)
    for wrong in (same, alone, later, early, no_start, couple(now, arrangement="somehow")):
        assert slug(call("freya").post(PATH, wrong)) == "invalid-input"
    assert call("stranger").post(PATH, couple(now)).status_code == 404
    assert visits() == before and claims_match()


def test_moved_together_they_may_change_places_and_one_alone_stays_linked(call, now):
    made = call("freya").post(PATH, couple(now)).body["items"]
    cora, celia = sorted(made, key=lambda v: v["client_id"] != str(uid("cora")))
    path = f"visits/{cora['id']}/move-linked"
    # Each takes the room and the practitioner that the other has.
    swapped = {
        "arrangement": "together",
        "visits": [
            {"visit_id": cora["id"], "lines": [lip(now, 65, "lena", "room 2")]},
            {"visit_id": celia["id"], "lines": [lip(now, None)]},
        ],
    }
    moved = call("freya").post(path, swapped)
    assert moved.status_code == 200, moved.body
    assert starts(moved) == [now + 65 * MINUTE] * 2
    assert claims_match()
    assert (
        slug(call("freya").post(path, swapped | {"visits": swapped["visits"][:1]}))
        == "invalid-input"
    )
    assert book(call, now, lip(now, 150), client="hugo", by="olga").status_code == 201
    into = swapped | {"visits": [{"visit_id": celia["id"], "lines": [lip(now, 150)]}, {"visit_id": cora["id"], "lines": [lip(now, None, "lena", "room 2")]}]}  # fmt: skip
    state = [call("freya").get(f"visits/{v['id']}").body for v in made]
    assert slug(call("freya").post(path, into)) == "claim-clash"
    assert [call("freya").get(f"visits/{v['id']}").body for v in made] == state
    alone = call("freya").post(f"visits/{celia['id']}/move", {"lines": [lip(now, 240)]})
    assert (alone.status_code, alone.body["link_id"]) == (200, cora["link_id"])
    assert claims_match()
    single = book(call, now, lip(now, 300)).body["id"]
    assert slug(call("freya").post(f"visits/{single}/move-linked", swapped)) == "wrong-state"


def test_cancelled_together_or_alone_by_choice(call, now):
    first = call("freya").post(PATH, couple(now)).body["items"]
    one = call("freya").post(f"visits/{first[0]['id']}/cancel", {"reason": "ill"})
    assert one.body["state"] == "cancelled"
    assert call("freya").get(f"visits/{first[1]['id']}").body["state"] == "booked"
    second = call("freya").post(PATH, couple(now, 180)).body["items"]
    both = call("freya").post(f"visits/{second[1]['id']}/cancel", {"linked": True})
    assert both.body["state"] == "cancelled"
    assert call("freya").get(f"visits/{second[0]['id']}").body["state"] == "cancelled"
    assert (
        slug(call("freya").post(f"visits/{second[0]['id']}/cancel", {"linked": True}))
        == "wrong-state"
    )
    assert claims_match()


def test_couples_crosswise_at_once_are_booked_whole_or_not_at_all(own_database, now):
    freya, lena = Caller(secret_of("freya")), Caller(secret_of("lena"))
    for n in range(6):
        there, back = couple(now, 60 + 60 * n), couple(now, 60 + 60 * n)
        back["visits"].reverse()
        back["visits"][0]["lines"][0]["starts_at"] = there["visits"][0]["lines"][0]["starts_at"]
        del back["visits"][1]["lines"][0]["starts_at"]
        found = at_once(lambda t=there: freya.post(PATH, t), lambda b=back: lena.post(PATH, b))
        assert sorted(a.status_code for a in found) == [201, 409], [a.body for a in found]
        made = next(a.body["items"] for a in found if a.status_code == 201)
        ends = at_once(
            lambda v=made[0]["id"]: freya.post(f"visits/{v}/cancel", {"linked": True}),
            lambda v=made[1]["id"]: lena.post(f"visits/{v}/cancel", {"linked": True}),
        )
        assert sorted(a.status_code for a in ends) == [200, 409]
    assert count(BUSINESS, "services_visit", "state = 'cancelled'") == 12
    assert count(BUSINESS, "claims_claim") == 0
    assert flaws(BUSINESS, LAKE, BUSINESS) == []
