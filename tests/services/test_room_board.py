"""The room board over HTTP: every room, what runs and comes in it, and the clocks of baths and kits."""

from datetime import datetime, timedelta

from django.db import connection
from django.test.utils import CaptureQueriesContext

from spa_ops.kernel import clock
from tests.callers import Caller, secret_of
from tests.services.day import GLOVED, book, consult, in_room, line
from tests.world import HARBOR, LAKE, uid

PATH = f"locations/{LAKE}/room-board"


def board(call, by="freya"):
    found = call(by).get(PATH)
    assert found.status_code == 200, found.body
    return found.body


def rooms_of(body):
    return {room["name"]: room for room in body["rooms"]}


def test_ready_rooms_and_one_to_turn_over(call, now):
    seen = board(call)
    rooms = rooms_of(seen)
    assert [rooms[f"room {n}"]["state"] for n in (1, 2, 3)] == ["ready", "ready", "needs_turnover"]
    assert rooms["room 1"]["ready_at"] is None
    # Room 3 was never turned over, and nobody has said with what: eight steps of 15 s at least, and the
    # shortest wet time on file, ten minutes.
    third = rooms["room 3"]
    assert third["turnovers_counted"] == 0
    assert third["expected_seconds"] == third["shortest_seconds"] == 8 * 15 + 600
    ready = datetime.fromisoformat(third["ready_at"])
    assert ready == now + timedelta(seconds=third["expected_seconds"])
    # Room 1 took twenty minutes.
    assert (rooms["room 1"]["turnovers_counted"], rooms["room 1"]["expected_seconds"]) == (1, 1200)
    (bath,) = [s for s in seen["solutions"] if s["is_usable"]]
    assert bath["seconds_left"] > 0
    assert {k["name"] for k in seen["kits"]} == {"brow kit 1", "brow kit 2"}


def test_what_runs_and_what_comes(call, now):
    visit = in_room(call, now, line(now, minutes=10))
    coming = book(call, now, line(now, minutes=120), client="celia").body
    first = rooms_of(board(call))["room 1"]
    assert (first["state"], first["runs"]["visit_id"]) == ("in_service", visit["id"])
    assert (first["runs"]["service"], first["runs"]["line_state"]) == ("Brow Wax", "planned")
    assert first["next"]["visit_id"] == coming["id"]
    assert datetime.fromisoformat(first["next"]["set_up_at"]) == datetime.fromisoformat(
        coming["lines"][0]["set_up_at"]
    )
    consult(call, visit)
    assert call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED).status_code == 200
    assert rooms_of(board(call))["room 1"]["runs"]["line_state"] == "started"
    ends = datetime.fromisoformat(visit["lines"][0]["ends_at"])
    with clock.stopped_at(ends + timedelta(seconds=90)):
        late = Caller(secret_of("freya")).get(PATH).body
    assert rooms_of(late)["room 1"]["runs"]["over_seconds"] == 90


def test_a_room_that_will_be_late_for_the_next_says_by_how_much(call, now):
    coming = book(call, now, line(now, minutes=60, room="room 3")).body
    set_up = datetime.fromisoformat(coming["lines"][0]["set_up_at"])
    with clock.stopped_at(set_up - timedelta(seconds=30)):
        third = rooms_of(Caller(secret_of("freya")).get(PATH).body)["room 3"]
    assert third["next"]["visit_id"] == coming["id"]
    assert third["late_seconds"] == third["expected_seconds"] - 30


def test_who_did_not_come_hides_nobody_who_will(call, now):
    book(call, now, line(now, minutes=30))
    coming = book(call, now, line(now, minutes=240), client="celia").body
    with clock.stopped_at(now + timedelta(minutes=180)):
        first = rooms_of(Caller(secret_of("freya")).get(PATH).body)["room 1"]
    assert first["next"]["visit_id"] == coming["id"]


def test_more_rooms_and_visits_take_no_more_statements(call, now):
    call("freya").get(PATH)

    def statements():
        with CaptureQueriesContext(connection) as captured:
            board(call)
        return len([q for q in captured if "SAVEPOINT" not in q["sql"]])

    before = statements()
    for n in range(5):
        made = call("lena").post(f"locations/{LAKE}/rooms", {"name": f"room {10 + n}"})
        assert made.status_code == 201, made.body
    for n, client in enumerate(("cora", "celia")):
        assert book(call, now, line(now, minutes=60 + 90 * n), client=client).status_code == 201
    assert statements() <= before + 1  # a class that was not loaded before


def test_who_may_look(call):
    assert call("inga").get(PATH).status_code == 403
    assert call("petra").get(f"locations/{HARBOR}/room-board").status_code == 404
    assert call("petra").get(f"locations/{uid('nowhere')}/room-board").status_code == 404
