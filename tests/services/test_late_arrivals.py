"""A client comes late, over HTTP: every offer can be taken as it is told, and asking changes nothing."""

from datetime import datetime, timedelta

import pytest

from spa_ops.kernel import clock
from tests.services.day import book, line
from tests.services.test_changing import claims_match
from tests.services.test_holds import slug
from tests.world import LAKE, uid

MINUTE = timedelta(minutes=1)


def ask(call, visit, minutes, by="freya"):
    return call(by).post(f"visits/{visit['id']}/late-arrival", {"minutes": minutes})


def three(now):
    """Brow, lip and a facial, one after the other; Celia has Petra and the room right after them."""
    return [
        line(now),
        line(now, "lip wax", minutes=None, kit=None),
        line(now, "facial", minutes=None, kit=None),
    ]


@pytest.fixture
def full(call, now):
    visit = book(call, now, *three(now)).body
    after = {"starts_at": (datetime.fromisoformat(visit["lines"][2]["turnover_ends_at"]) + 5 * MINUTE).isoformat()}  # fmt: skip
    behind = book(call, now, line(now, "lip wax", kit=None) | after, client="celia")
    assert behind.status_code == 201, behind.body
    return visit


def test_shortened_moved_and_declined_are_offered_and_nothing_is_done(call, full, now):
    offered = ask(call, full, 20)
    assert offered.status_code == 200, offered.body
    kinds = [o["kind"] for o in offered.body["offers"]]
    assert kinds == ["shortened"] * kinds.count("shortened") + ["moved"] * 3 + ["declined"]
    assert kinds.count("shortened") >= 1
    assert offered.body["expected_at"] == (now + 80 * MINUTE).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    # Twenty minutes late: without the lip or the brow the facial still ends in time.
    short = offered.body["offers"][0]
    assert len(short["body"]["drop_line_ids"]) == 1
    assert short["option"]["starts_at"] == offered.body["expected_at"]
    assert call("freya").get(f"visits/{full['id']}").body == full
    assert ask(call, full, 20).body == offered.body
    assert claims_match()


def test_each_offer_is_taken_as_it_is_told(call, full, now):
    start = [{"starts_at": x["starts_at"]} for x in full["lines"]]
    back = [given | when for given, when in zip(three(now), start, strict=True)]
    for which in range(len(ask(call, full, 20).body["offers"])):
        offer = ask(call, full, 20).body["offers"][which]
        taken = call("freya").post(offer["path"], offer["body"])
        assert taken.status_code == 200, (offer, taken.body)
        if offer["kind"] == "declined":
            assert taken.body["state"] == "cancelled"
            continue
        assert taken.body["starts_at"][:19] == offer["option"]["starts_at"][:19]
        live = [x for x in taken.body["lines"] if x["state"] == "planned"]
        assert [x["starts_at"][:19] for x in live] == [x["starts_at"][:19] for x in offer["option"]["lines"]]  # fmt: skip
        assert claims_match()
        if offer["kind"] == "shortened":
            # As it was before, for the next offer: a dropped line stays dropped, so another visit.
            assert call("freya").post(f"visits/{full['id']}/cancel").status_code == 200
            full = book(call, now, *back).body
        else:
            returned = call("freya").post(f"visits/{full['id']}/move", {"lines": back})
            assert returned.status_code == 200, returned.body
    assert claims_match()


def test_a_visit_of_one_line_is_moved_or_declined(call, now):
    visit = book(call, now).body
    kinds = {o["kind"] for o in ask(call, visit, 10).body["offers"]}
    assert kinds == {"moved", "declined"}


def test_who_cannot_have_the_same_person_soon_is_offered_another_today(call, now):
    visit = book(call, now, line(now, who="pavel", minutes=30)).body
    goes = datetime.fromisoformat(visit["lines"][0]["turnover_ends_at"])
    away = {"starts_at": goes.isoformat(), "ends_at": (goes + timedelta(hours=14)).isoformat()}
    planned = call("lena").post(
        f"locations/{LAKE}/absences", {"kind": "time_off", "person_id": str(uid("pavel")), **away}
    )
    assert planned.status_code == 201, planned.body
    offered = ask(call, visit, 10).body
    moved = [o["option"] for o in offered["offers"] if o["kind"] == "moved"]
    assert moved[0]["starts_at"] == offered["expected_at"]
    who = [o["lines"][0]["practitioner_id"] for o in moved]
    assert str(uid("pavel")) not in who[:3] and set(who[3:]) == {str(uid("pavel"))}
    (first, *_) = [o for o in offered["offers"] if o["kind"] == "moved"]
    assert call("freya").post(first["path"], first["body"]).status_code == 200
    assert claims_match()


def test_who_is_here_long_after_the_start_is_received_from_now_on_the_grid(call, now):
    visit = book(call, now).body
    with clock.stopped_at(now + timedelta(minutes=93, seconds=20)):
        offered = ask(call, visit, 5).body
    assert offered["expected_at"].startswith((now + 95 * MINUTE).strftime("%Y-%m-%dT%H:%M"))
    assert all(o["option"]["starts_at"] >= offered["expected_at"] for o in offered["offers"][:-1])


def test_only_a_booked_visit_of_ones_own_place_comes_late(call, now):
    visit = book(call, now).body
    assert slug(ask(call, visit, 0)) == "invalid-input"
    for other in ("henk", "stranger"):
        assert ask(call, visit, 10, by=other).status_code == 404
    assert call("freya").post(f"visits/{visit['id']}/cancel").status_code == 200
    assert slug(ask(call, visit, 10)) == "wrong-state"


def test_what_was_dropped_stays_out_of_a_later_move_and_claims_nothing(call, now):
    visit = book(call, now, *three(now)).body
    lip = visit["lines"][1]["id"]
    rest = [three(now)[0], three(now)[2]]
    # A dropped line's service need not be named again when the visit is moved.
    drop = {"lines": rest, "drop_line_ids": [lip]}
    assert slug(call("freya").post(f"visits/{visit['id']}/move", drop)) == "invalid-input"
    moved = call("freya").post(f"visits/{visit['id']}/move", drop | {"reason": "no time"})
    assert moved.status_code == 200, moved.body
    later = [rest[0] | {"starts_at": (now + 70 * MINUTE).isoformat()}, rest[1]]
    again = call("freya").post(f"visits/{visit['id']}/move", {"lines": later})
    assert again.status_code == 200, again.body
    assert claims_match()
    gone = call("freya").post(f"visits/{visit['id']}/move", {"lines": rest, "drop_line_ids": [lip]})
    assert gone.status_code == 404
    other = call("freya").post(
        f"visits/{visit['id']}/move", {"lines": later, "drop_line_ids": [str(uid("nothing"))]}
    )
    assert other.status_code == 404
    assert claims_match()


def shorten(call, name, minutes):
    service = call("olga").get(f"services/{uid(name)}")
    change = {"shortest_hands_on_minutes": minutes}
    return call("olga").patch(f"services/{uid(name)}", change, If_Match=service["ETag"])


def worked(x):
    return datetime.fromisoformat(x["aftercare_at"]) - datetime.fromisoformat(x["hands_on_at"])


def test_a_service_with_a_shortest_time_is_shortened_before_anything_is_dropped(call, full, now):
    assert slug(shorten(call, "facial", 51)) == "invalid-input"
    assert shorten(call, "facial", 25).status_code == 200
    short = ask(call, full, 20).body["offers"][0]
    assert short["kind"] == "shortened" and "drop_line_ids" not in short["body"]
    assert [x["shortened"] for x in short["body"]["lines"]] == [False, False, True]
    taken = call("freya").post(short["path"], short["body"])
    assert taken.status_code == 200, taken.body
    facial = taken.body["lines"][2]
    assert (facial["shortened"], worked(facial)) == (True, 25 * MINUTE)
    assert claims_match()
    # Who takes over works as long, and a later move says anew whether it is shortened.
    given = call("freya").post(
        f"visits/{full['id']}/reassign", {"practitioner_id": str(uid("lena"))}
    )
    assert worked(given.body["lines"][2]) == 25 * MINUTE
    later = [three(now)[0] | {"starts_at": (now + 240 * MINUTE).isoformat()}, *three(now)[1:]]
    moved = call("freya").post(f"visits/{full['id']}/move", {"lines": later})
    assert (moved.body["lines"][2]["shortened"], worked(moved.body["lines"][2])) == (
        False,
        50 * MINUTE,
    )
    assert claims_match()


def test_only_what_has_a_shortest_time_is_booked_shortened(call, now):
    brief = line(now, shortened=True)
    assert slug(book(call, now, brief)) == "invalid-input"
    assert shorten(call, "brow wax", 10).status_code == 200
    held = call("freya").post(f"locations/{LAKE}/holds", {"lines": [brief]})
    assert held.status_code == 201, held.body
    body = {"client_id": str(uid("cora")), "hold_id": held.body["id"]}
    at_length = call("freya").post(f"locations/{LAKE}/visits", body | {"lines": [line(now)]})
    assert slug(at_length) == "hold-differs"
    made = call("freya").post(f"locations/{LAKE}/visits", body | {"lines": [brief]})
    assert worked(made.body["lines"][0]) == 10 * MINUTE
    assert claims_match()
