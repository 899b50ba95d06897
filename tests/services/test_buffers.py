"""Minutes that a house keeps free around each visit, by room and by practitioner: booked as offered."""

from datetime import datetime, timedelta

import pytest
from hypothesis import given

from services.rules.buffers import Buffer, outside
from spa_ops.claims.models import Claim
from spa_ops.kernel.intervals import Period
from spa_ops.unit.work import reading
from tests.services.builders import house_policy
from tests.services.day import book, in_room, line
from tests.services.rules.availability_cases import at, spans
from tests.services.test_availability import found, pick
from tests.world import BUSINESS, LAKE, uid

MINUTE = timedelta(minutes=1)
ROOMS = {"room_buffer_before_minutes": 5, "room_buffer_after_minutes": 10}
PEOPLE = {"practitioner_buffer_before_minutes": 10, "practitioner_buffer_after_minutes": 20}


def claims_of(name):
    with reading(BUSINESS):
        rows = Claim.objects.filter(bookable_id=uid(name)).order_by("span")
        return [(c.phase, c.span.lower, c.span.upper) for c in rows]


def buffers_of(name):
    return [(a, b) for phase, a, b in claims_of(name) if phase == "buffer"]


def change_room(call, name, **fields):
    path = f"rooms/{uid(name)}"
    return call("lena").patch(path, fields, If_Match=call("lena").get(path)["ETag"])


def test_a_visit_keeps_its_room_and_its_practitioner_free_around_it(call, now):
    house_policy(**ROOMS, **PEOPLE)
    visit = book(call, now, line(now, "lip wax", kit=None, minutes=120)).body
    (one,) = visit["lines"]
    first, last = (datetime.fromisoformat(one[k]) for k in ("set_up_at", "turnover_ends_at"))
    assert buffers_of("room 1") == [(first - 5 * MINUTE, first), (last, last + 10 * MINUTE)]
    assert buffers_of("petra")[0][1] <= datetime.fromisoformat(one["starts_at"])
    mine = [(a, b) for phase, a, b in claims_of("petra") if phase != "buffer"]
    begins, ends = min(a for a, _ in mine), max(b for _, b in mine)
    assert buffers_of("petra") == [(begins - 10 * MINUTE, begins), (ends, ends + 20 * MINUTE)]
    assert buffers_of("cora") == []
    assert call("freya").post(f"visits/{visit['id']}/cancel", {}).status_code == 200
    assert claims_of("petra") == claims_of("room 1") == []


def test_what_is_offered_keeps_the_buffers_and_what_is_refused_breaks_one(call, now):
    house_policy(**ROOMS, **PEOPLE)
    assert book(call, now, line(now, "lip wax", kit=None, minutes=120)).status_code == 201
    asked = pick("lip wax", practitioner="petra", room="room 1")
    offered = {
        datetime.fromisoformat(o["starts_at"])
        for o in found(
            call, now, asked, client="celia", to=(now + 5 * 60 * MINUTE).isoformat(), limit=200
        )["options"]
    }
    assert offered
    # Against booking itself, at every start of the grid around the visit that is there.
    for minutes in range(60, 216, 5):
        start = now + minutes * MINUTE
        given = line(start, "lip wax", kit=None, minutes=0)
        answer = book(call, now, given, client="celia")
        as_offered = start in offered
        assert (answer.status_code == 201) is as_offered, (minutes, answer.body)
        if answer.status_code == 201:
            path = f"visits/{answer.body['id']}/cancel"
            assert call("freya").post(path, {}).status_code == 200


def test_a_rooms_own_minutes_go_before_the_locations(call, now):
    house_policy(**ROOMS)
    changed = change_room(call, "room 1", buffer_before_minutes=0, buffer_after_minutes=30)
    assert changed.status_code == 200, changed.body
    assert (changed.body["buffer_before_minutes"], changed.body["buffer_after_minutes"]) == (0, 30)
    book(call, now, line(now, "lip wax", kit=None, minutes=120))
    ((start, end),) = buffers_of("room 1")
    assert end - start == 30 * MINUTE and buffers_of("petra") == []
    again = change_room(call, "room 1", buffer_before_minutes=None, buffer_after_minutes=None)
    assert again.body["buffer_after_minutes"] is None
    book(call, now, line(now, "lip wax", kit=None, minutes=300), client="celia")
    assert [b - a for a, b in buffers_of("room 1")[1:]] == [5 * MINUTE, 10 * MINUTE]


@pytest.mark.parametrize("value", [-1, 241, "x", 1.5])
def test_minutes_that_cannot_be_are_refused(call, now, value):
    refused = change_room(call, "room 1", buffer_after_minutes=value)
    assert refused.status_code == 422
    assert [e["pointer"] for e in refused.body["errors"]] == ["/buffer_after_minutes"]
    path = f"locations/{LAKE}"
    policies = {"policies": {"room_buffer_after_minutes": value}}
    refused = call("olga").patch(path, policies, If_Match=call("olga").get(path)["ETag"])
    assert refused.status_code == 422
    assert [e["pointer"] for e in refused.body["errors"]] == ["/policies/room_buffer_after_minutes"]


def test_two_lines_of_one_visit_have_no_buffer_between_them(call, now):
    house_policy(**ROOMS, **PEOPLE)
    two = [
        line(now, "lip wax", kit=None, minutes=120),
        line(now, "lip wax", kit=None, minutes=None),
    ]
    visit = book(call, now, *two)
    assert visit.status_code == 201, visit.body
    lines = visit.body["lines"]
    assert lines[0]["ends_at"] == lines[1]["starts_at"]
    assert len(buffers_of("room 1")) == len(buffers_of("petra")) == 2


def test_who_leaves_leaves_the_buffer_behind_the_turnover(call, now):
    house_policy(**ROOMS, **PEOPLE)
    visit = in_room(call, now, line(now, "lip wax", kit=None, minutes=30))
    (one,) = visit["lines"]
    dropped = call("petra").post(f"lines/{one['id']}/drop", {"reason": "not today"})
    assert dropped.status_code == 200, dropped.body
    assert call("petra").post(f"visits/{visit['id']}/leave", {}).status_code == 200
    held = claims_of("room 1")
    assert [phase for phase, _, _ in held] == ["turnover", "buffer"]
    assert held[0][2] == held[1][1] and held[1][2] - held[1][1] == 10 * MINUTE


def test_a_practitioners_own_minutes_go_before_the_locations(call, now):
    house_policy(**PEOPLE)
    path = f"people/{uid('petra')}/buffer"
    assert call("petra").get(path).body == {"before_minutes": None, "after_minutes": None}
    said = {"before_minutes": None, "after_minutes": 35}
    answer = call("lena").post(path, said)
    assert answer.status_code == 200 and answer.body.items() >= said.items()
    assert call("petra").get(path).body == said
    offered = found(call, now, pick("lip wax", practitioner="petra", room="room 1"))["options"][3]
    assert call("freya").post(f"locations/{LAKE}/visits", offered["visit"]).status_code == 201
    assert [b - a for a, b in buffers_of("petra")] == [10 * MINUTE, 35 * MINUTE]
    again = call("lena").post(path, {"before_minutes": 0, "after_minutes": 0})
    assert again.status_code == 200
    book(call, now, line(now, "lip wax", kit=None, minutes=300), client="celia")
    assert len(buffers_of("petra")) == 2
    for bad in (
        {"before_minutes": 241, "after_minutes": 0},
        {"before_minutes": 0},
        {**said, "x": 1},
    ):
        assert call("lena").post(path, bad).status_code == 422
    assert call("petra").post(path, said).status_code == 403


@given(spans(), spans(most=5))
def test_outside_leaves_the_instants_that_are_in_no_other_span(some, others):
    left = outside(some, others)
    for n in range(700 * 4):
        moment = at(n / 4)
        inside = any(s.start <= moment < s.end for s in some)
        covered = any(o.start <= moment < o.end for o in others)
        assert any(p.start <= moment < p.end for p in left) is (inside and not covered)


def test_a_buffer_of_nothing_keeps_nothing_free():
    assert Buffer().around([Period(at(0), at(10))]) == []
