"""Running late over HTTP: what one late visit does to the others of the day."""

from datetime import datetime, timedelta

from spa_ops.kernel import clock
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import run
from tests.callers import Caller, secret_of
from tests.services.day import GLOVED, book, consult, in_room, line
from tests.world import HARBOR, LAKE, actor

PATH = f"locations/{LAKE}/running-late"


def asked(call, by="freya"):
    found = call(by).get(PATH)
    assert found.status_code == 200, found.body
    return found.body


def test_an_empty_day_and_a_day_on_time_have_nothing_late(call, now):
    assert asked(call)["late"] == asked(call)["running"] == []
    assert book(call, now, line(now, minutes=60)).status_code == 201
    assert asked(call)["late"] == []


def test_a_client_who_is_not_here_holds_up_who_comes_next(call, now):
    first = book(call, now, line(now, minutes=30)).body
    # The next may come as soon as the first one's room is turned over.
    free_at = datetime.fromisoformat(first["lines"][0]["turnover_ends_at"])
    set_up = timedelta(minutes=5)
    next_at = free_at + set_up
    second = book(call, next_at, line(next_at, minutes=0, kit="brow kit 2"), client="celia")
    assert second.status_code == 201, second.body
    gap = datetime.fromisoformat(second.body["lines"][0]["set_up_at"]) - free_at
    spare = int(gap.total_seconds()) // 60
    with clock.stopped_at(now + timedelta(minutes=42)):
        found = Caller(secret_of("freya")).get(PATH).body
    late = {one["visit_id"]: one for one in found["late"]}
    assert late[first["id"]]["late_minutes"] == 12
    assert late[first["id"]]["after_visit_id"] is None
    pushed = late[second.body["id"]]
    assert (pushed["late_minutes"], pushed["after_visit_id"]) == (12 - spare, first["id"])
    assert datetime.fromisoformat(pushed["expected_at"]) == datetime.fromisoformat(
        second.body["starts_at"]
    ) + timedelta(minutes=12 - spare)
    assert not pushed["past_closing"]


def test_a_visit_from_before_midnight_is_still_looked_at_after_it(call, now):
    visit = book(call, now, line(now, minutes=10)).body

    def half_an_hour_on_it_is_midnight():
        place = Location.objects.get(id=LAKE)
        place.zone = "Asia/Yangon"  # 17:30 UTC is midnight there
        put(place, fields=["zone"])

    run(half_an_hour_on_it_is_midnight, actor=actor("olga"), now=now)
    with clock.stopped_at(now + timedelta(minutes=40)):
        (late,) = Caller(secret_of("freya")).get(PATH).body["late"]
    assert (late["visit_id"], late["late_minutes"]) == (visit["id"], 30)
    with clock.stopped_at(now + timedelta(hours=9)):  # until somebody says what became of it
        found = Caller(secret_of("freya")).get(PATH).body["late"]
    assert [one["late_minutes"] for one in found] == [9 * 60 - 10]
    with clock.stopped_at(now + timedelta(hours=25)):  # the day after
        assert Caller(secret_of("freya")).get(PATH).body["late"] == []


def test_a_running_visit_says_how_long_it_may_last(call, now):
    visit = in_room(call, now, line(now, minutes=10))
    consult(call, visit)
    work = visit["lines"][0]
    began = datetime.fromisoformat(work["hands_on_at"]) + timedelta(minutes=7)
    with clock.stopped_at(began):
        petra = Caller(secret_of("petra"))
        started = petra.post(f"lines/{work['id']}/start", GLOVED)
        assert started.status_code == 200, started.body
        later = book(
            call, now, line(now, minutes=120, room="room 2", kit="brow kit 2"), client="celia"
        )
        assert later.status_code == 201, later.body
        found = Caller(secret_of("freya")).get(PATH).body
    (running,) = found["running"]
    assert (running["visit_id"], running["late_minutes"]) == (visit["id"], 7)
    (then,) = running["then"]
    assert then["visit_id"] == later.body["id"]
    # Petra is with the first client and turns over until then, and sets up for the next.
    ends = datetime.fromisoformat(work["turnover_ends_at"])
    set_up = datetime.fromisoformat(later.body["lines"][0]["set_up_at"])
    assert then["spare_minutes"] == (set_up - ends).total_seconds() / 60 - 7
    assert [one["visit_id"] for one in found["late"]] == [visit["id"]]


def test_another_location_is_not_there(call):
    assert call("freya").get(f"locations/{HARBOR}/running-late").status_code == 404
