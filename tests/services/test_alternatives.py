"""A clash comes back with options that can be had: each is then booked as it was told, over HTTP."""

from itertools import islice

from services.actions import linked_offers
from services.queries import alternatives as module
from services.rules.availability.linked import CutShort
from services.tasks import offer_freed_time
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.builders import house_policy
from tests.services.day import book, in_room, line
from tests.services.test_holds import at_once, confirm, hold
from tests.services.test_waiting import cancel, fill, offers, person, wait
from tests.world import BUSINESS, LAKE, uid

VISITS = f"locations/{LAKE}/visits"


def clash_of(answer):
    assert answer.body["type"] == "/problems/claim-clash", answer.body
    return answer.body


def test_a_booking_that_clashes_is_offered_what_can_be_booked(call, now):
    assert book(call, now).status_code == 201
    for n in range(3):
        found = clash_of(book(call, now, client="celia"))["alternatives"]
        assert len(found) == 3
        starts = [o["starts_at"] for o in found]
        assert starts == sorted(starts) and starts[0] >= line(now)["starts_at"][:19]
        # With whom she asked for, as long as there is a start with them.
        assert {x["practitioner_id"] for o in found for x in o["lines"]} == {str(uid("petra"))}
        made = call("freya").post(VISITS, found[n]["visit"])
        assert made.status_code == 201, made.body
        assert call("freya").post(f"visits/{made.body['id']}/cancel").status_code == 200


def test_without_a_start_with_the_one_asked_for_anybody_is_offered(call, now):
    # Pavel works today only, and the last start of the day with him is taken.
    for shift in call("lena").get(f"locations/{LAKE}/shifts?limit=200").body["items"]:
        if shift["person_id"] == str(uid("pavel")):
            ended = call("lena").post(
                f"shifts/{shift['id']}/end", {"valid_until": "2026-05-07"}, If_Match='"1"'
            )
            assert ended.status_code == 200, ended.body
    late = line(now, who="pavel", minutes=370)
    assert book(call, now, late).status_code == 201
    found = clash_of(book(call, now, late, client="celia"))["alternatives"]
    assert found and str(uid("pavel")) not in str(found)
    made = call("freya").post(VISITS, found[0]["visit"])
    assert made.status_code == 201, made.body


def test_moving_and_swapping_offer_around_what_the_visit_itself_has(call, now):
    # Everybody and everything but for one gap is hers: what she has herself is no obstacle.
    mine = book(call, now, line(now, "lip wax", kit=None)).body
    other = line(now, "lip wax", minutes=100, kit=None)
    assert book(call, now, other, client="celia").status_code == 201
    refused = call("freya").post(
        f"visits/{mine['id']}/move",
        {"lines": [other | {"starts_at": line(now, minutes=98)["starts_at"]}]},
    )
    (first, *_) = clash_of(refused)["alternatives"]
    moved = call("freya").post(f"visits/{mine['id']}/move", {"lines": first["visit"]["lines"]})
    assert moved.status_code == 200, moved.body
    back = call("freya").post(
        f"visits/{mine['id']}/move", {"lines": [line(now, "lip wax", kit=None)]}
    )
    assert back.status_code == 200, back.body
    line_id = mine["lines"][0]["id"]
    swap = {"line": line(now, "full leg wax", kit=None, minutes=60), "reason": "asked"}
    refused = call("freya").post(f"lines/{line_id}/swap", swap)
    offered = clash_of(refused)["alternatives"]
    swap["line"] = offered[0]["visit"]["lines"][0]
    swapped = call("freya").post(f"lines/{line_id}/swap", swap)
    assert swapped.status_code == 200, swapped.body
    live = [x for x in swapped.body["lines"] if x["state"] == "planned"]
    assert [x["service_id"] for x in live] == [str(uid("full leg wax"))]


def test_a_hold_and_its_confirmation_that_clash_are_offered_others(call, now):
    held = hold(call, now, line(now, kit=None, service="lip wax"), client="cora").body
    again = clash_of(hold(call, now, line(now), by="lena", client="celia"))
    assert len(again["alternatives"]) == 3
    assert "alternatives" not in clash_of(hold(call, now, line(now), by="lena"))
    # The client's own time is taken meanwhile: what was held itself counts as free in the offers.
    elsewhere = line(now, "lip wax", who="lena", room="room 2", kit=None)
    assert book(call, now, elsewhere, client="celia", by="lena").status_code == 201
    refused = clash_of(confirm(call, now, held, line(now, "lip wax", kit=None), client="celia"))
    assert refused["alternatives"]
    still = confirm(call, now, held, line(now, "lip wax", kit=None), client="cora")
    assert still.status_code == 201, still.body


def test_a_visit_under_way_is_offered_other_times_for_a_line(call, now):
    here = in_room(call, now, line(now, minutes=30), line(now, "lip wax", minutes=None, kit=None))
    after = here["lines"][1]
    assert (
        book(call, now, line(now, "facial", minutes=90, kit=None), client="celia").status_code
        == 201
    )
    swap = {"line": line(now, "full leg wax", kit=None, minutes=None), "reason": "asked"}
    refused = call("freya").post(f"lines/{after['id']}/swap", swap)
    assert clash_of(refused)["alternatives"]
    unchanged = call("freya").get(f"visits/{here['id']}").body
    assert unchanged == here


def test_offers_that_take_too_long_are_left_out_and_the_clash_is_told(call, now, monkeypatch):
    assert book(call, now).status_code == 201
    monkeypatch.setattr(module, "SECONDS", 0.001)
    monkeypatch.setattr(module, "options_for", _slow)
    refused = clash_of(book(call, now, client="celia"))
    assert "alternatives" not in refused and refused["clashes"]
    # The limit was that search's alone.
    assert book(call, now, line(now, minutes=130), client="celia").status_code == 201


def _slow(*_):
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_sleep(5)")
    raise AssertionError("the statement was not stopped")


def test_a_replayed_refusal_is_offered_what_is_free_by_then(call, now):
    assert book(call, now).status_code == 201
    first = clash_of(book(call, now, client="celia", Idempotency_Key="c-1"))["alternatives"]
    assert (
        call("lena").post(VISITS, first[0]["visit"] | {"client_id": str(uid("cora"))}).status_code
        == 201
    )
    again = clash_of(book(call, now, client="celia", Idempotency_Key="c-1"))
    assert again["replayed"] and again["alternatives"][0]["starts_at"] > first[0]["starts_at"]


def test_who_loses_at_once_takes_an_alternative_and_nothing_is_claimed_twice(own_database, now):
    callers = [Caller(secret_of(who)) for who in ("freya", "lena", "petra", "pavel")]
    asked = line(now, "lip wax", kit=None)

    def until_booked(caller, client):
        body = {"client_id": str(uid(client)), "lines": [asked]}
        for tries in range(30):
            answer = caller.post(VISITS, body)
            if answer.status_code == 201:
                return tries
            if answer.body["type"] == "/problems/claim-clash":
                body = answer.body["alternatives"][tries % 3]["visit"]
        raise AssertionError(answer.body)

    for turn in range(3):
        guests = [f"guest {turn} {n}" for n in range(len(callers))]
        for guest in guests:
            new = {"id": str(uid(guest)), "name": f"Invented {guest}", "location_id": str(LAKE)}
            assert callers[0].post("clients", new).status_code == 201
        tries = at_once(
            *[lambda c=c, g=g: until_booked(c, g) for c, g in zip(callers, guests, strict=True)]
        )
        assert sum(tries) >= 3
    assert count(BUSINESS, "services_visit") == 12
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


LINKED = f"locations/{LAKE}/linked-visits"


def two(now, arrangement="together", minutes=60):
    """A couple with Petra and Lena, in two rooms."""
    lip = line(now, "lip wax", kit=None, minutes=minutes)
    other = line(now, "lip wax", who="lena", room="room 2", kit=None, minutes=None)
    return {
        "arrangement": arrangement,
        "visits": [
            {"client_id": str(uid("cora")), "lines": [lip]},
            {"client_id": str(uid("celia")), "lines": [other]},
        ],
    }


def test_a_couple_that_clashes_is_offered_times_for_both(call, now):
    # Lena is taken then: only one of the two is in the way.
    person(call, "nora")
    busy = line(now, "facial", who="lena", room="room 2", kit=None, minutes=40)
    body = {"client_id": str(uid("nora")), "lines": [busy]}
    assert call("freya").post(VISITS, body).status_code == 201
    found = clash_of(call("freya").post(LINKED, two(now)))["alternatives"]
    assert len(found) == 3
    for one in found:
        assert {v["starts_at"] for v in one["visits"]} == {one["starts_at"]}
        asked = {"arrangement": "together", "visits": [v["visit"] for v in one["visits"]]}
        made = call("freya").post(LINKED, asked)
        assert made.status_code == 201, made.body
        people = [v["lines"][0]["practitioner_id"] for v in made.body["items"]]
        assert set(people) == {str(uid("petra")), str(uid("lena"))}
        for visit in made.body["items"]:
            assert call("freya").post(f"visits/{visit['id']}/cancel").status_code == 200


def test_a_couple_s_search_that_is_cut_short_never_says_that_there_is_nothing(
    call, now, monkeypatch
):
    busy = line(now, "facial", who="lena", room="room 2", kit=None, minutes=40)
    assert book(call, now, busy).status_code == 201
    monkeypatch.setattr(linked_offers, "SECONDS", 0)
    refused = clash_of(call("freya").post(LINKED, two(now)))
    assert "alternatives" not in refused and refused["clashes"]
    # With half the time, so to speak: what was found until then is told.
    monkeypatch.setattr(linked_offers, "SECONDS", 60)
    whole = linked_offers.Linked.options

    def until_tired(self):
        yield from islice(whole(self), 1)
        raise CutShort

    monkeypatch.setattr(linked_offers.Linked, "options", until_tired)
    (one,) = clash_of(call("freya").post(LINKED, two(now)))["alternatives"]
    assert {v["starts_at"] for v in one["visits"]} == {one["starts_at"]}


def test_a_couple_that_comes_in_turn_is_offered_the_one_behind_the_other(call, now):
    asked = two(now, "in_turn")
    # One room and one pair of hands for both: turned over in between.
    asked["visits"][1]["lines"] = [line(now, "lip wax", kit=None, minutes=None)]
    assert (
        book(call, now, line(now, "lip wax", kit=None, minutes=70), client="cora").status_code
        == 201
    )
    found = clash_of(call("freya").post(LINKED, asked))["alternatives"]
    assert found
    for one in found:
        first, second = one["visits"]
        assert second["starts_at"] >= first["ends_at"]
        again = {"arrangement": "in_turn", "visits": [v["visit"] for v in one["visits"]]}
        made = call("freya").post(LINKED, again)
        assert made.status_code == 201, made.body
        for visit in made.body["items"]:
            assert call("freya").post(f"visits/{visit['id']}/cancel").status_code == 200


def test_a_couple_that_moves_into_somebody_is_offered_times_around_its_own(call, now):
    made = call("freya").post(LINKED, two(now)).body["items"]
    ids = [next(v["id"] for v in made if v["client_id"] == str(uid(c))) for c in ("cora", "celia")]
    person(call, "nora")
    busy = line(now, "facial", who="lena", room="room 2", kit=None, minutes=120)
    assert (
        call("freya").post(VISITS, {"client_id": str(uid("nora")), "lines": [busy]}).status_code
        == 201
    )
    moved = two(now, minutes=125)
    for visit, one in zip(moved["visits"], ids, strict=True):
        del visit["client_id"]
        visit["visit_id"] = one
    found = clash_of(call("freya").post(f"visits/{ids[0]}/move-linked", moved))["alternatives"]
    assert found
    for visit, option in zip(moved["visits"], found[0]["visits"], strict=True):
        visit["lines"] = option["visit"]["lines"]
    done = call("freya").post(f"visits/{ids[0]}/move-linked", moved)
    assert done.status_code == 200, done.body


def test_adding_a_line_that_clashes_offers_later_starts_of_it(call, now):
    visit = book(call, now, line(now, "lip wax", kit=None, minutes=60)).body
    assert (
        book(call, now, line(now, "lip wax", kit=None, minutes=100), client="celia").status_code
        == 201
    )
    path = f"visits/{visit['id']}/lines"
    found = clash_of(call("freya").post(path, line(now, "full leg wax", kit=None, minutes=None)))
    assert found["alternatives"]
    for option in found["alternatives"]:
        added = call("freya").post(path, option["visit"]["lines"][0])
        assert added.status_code == 200, added.body
        extra = max(added.body["lines"], key=lambda x: x["position"])
        dropped = call("freya").post(f"lines/{extra['id']}/drop", {"reason": "tried"})
        assert dropped.status_code == 200, dropped.body


def test_an_offer_that_can_not_be_had_any_more_comes_back_with_others(call, now):
    visits = fill(call, now)
    wait(call, "cora")
    cancel(call, visits[105])
    offer_freed_time()
    (offer,) = offers(call)
    # From now on the house keeps half an hour free behind each visit: the next is too near.
    house_policy(room_buffer_after_minutes=30)
    refused = call("freya").post(f"waiting-offers/{offer['id']}/accept", {})
    found = clash_of(refused)["alternatives"]
    # In another room, or later: not what was kept.
    for option in found:
        kept = option["visit"]["lines"][0]["room_id"] == str(uid("room 1"))
        assert option["starts_at"] > offer["starts_at"] or not kept
    assert found
    assert [o["state"] for o in offers(call)] == ["offered"]
    gone = call("freya").post(f"waiting-offers/{offer['id']}/decline", {"withdraw": True})
    assert gone.status_code == 200
    made = call("freya").post(VISITS, found[0]["visit"])
    assert made.status_code == 201, made.body
