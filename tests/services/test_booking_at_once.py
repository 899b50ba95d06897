"""Two who change the same visit or want the same time at once, over HTTP: one has it, the other is told."""

from datetime import datetime, timedelta

import pytest

from spa_ops.kernel import clock
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import count, flaws
from tests.services.day import line
from tests.services.test_changing import claims_match, running
from tests.services.test_holds import at_once
from tests.world import BUSINESS, LAKE, uid

PLACE = f"locations/{LAKE}/visits"
ROUNDS = 6


@pytest.fixture
def desks(own_database):
    return Caller(secret_of("freya")), Caller(secret_of("lena"))


def lip(now, minutes, who="petra", room="room 1"):
    return line(now, "lip wax", who, room, kit=None, minutes=minutes)


def booked(desk, now, minutes, client="cora", **more):
    made = desk.post(PLACE, {"client_id": str(uid(client)), "lines": [lip(now, minutes, **more)]})
    assert made.status_code == 201, made.body
    return f"visits/{made.body['id']}"


def statuses(answers):
    assert all(a.status_code < 500 for a in answers), [a.body for a in answers]
    return sorted(a.status_code for a in answers)


def test_one_cancels_and_the_other_does_not_come_and_it_is_one_of_the_two(desks, now):
    freya, lena = desks
    for n in range(ROUNDS):
        with clock.stopped_at(now):
            visit = booked(freya, now, 5 + 40 * n)
    listed = freya.get(PLACE).body["items"]
    with clock.stopped_at(now.replace(hour=22)):
        for each in listed:
            visit = f"visits/{each['id']}"
            found = at_once(
                lambda v=visit: freya.post(f"{v}/cancel", {"reason": "late"}),
                lambda v=visit: lena.post(f"{v}/no-show"),
            )
            assert statuses(found) == [200, 409]
    assert count(BUSINESS, "claims_claim") == 0
    assert count(BUSINESS, "services_visit_change", "kind <> 'booked'") == ROUNDS
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_two_move_to_one_time_and_one_is_offered_another(desks, now):
    freya, lena = desks
    for n in range(ROUNDS):
        one, other = (booked(freya, now, 60, "cora"), booked(freya, now, 60, "celia", who="lena", room="room 2"))  # fmt: skip
        to = {"lines": [lip(now, 120 + 5 * n, room="room 3")]}
        found = at_once(
            lambda v=one, t=to: freya.post(f"{v}/move", t), lambda v=other, t=to: lena.post(f"{v}/move", t)
        )  # fmt: skip
        assert statuses(found) == [200, 409]
        refused = next(a for a in found if a.status_code == 409)
        lost = one if refused is found[0] else other
        assert freya.get(lost).body["version"] == 1
        offer = refused.body["alternatives"][0]["visit"]["lines"]
        assert freya.post(f"{lost}/move", {"lines": offer}).status_code == 200
        for visit in (one, other):
            assert freya.post(f"{visit}/cancel").status_code == 200
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_one_moves_while_the_other_swaps_a_line_and_nothing_is_claimed_twice(desks, now):
    freya, lena = desks
    for n in range(ROUNDS):
        visit = booked(freya, now, 60 + n)
        line_id = freya.get(visit).body["lines"][0]["id"]
        swap = {"line": lip(now, None, "lena", "room 2"), "reason": "asked"}
        move = {"lines": [lip(now, 180)]}
        found = at_once(
            lambda v=visit, m=move: freya.post(f"{v}/move", m),
            lambda i=line_id, s=swap: lena.post(f"lines/{i}/swap", s),
        )
        # Either order is good: what comes second meets the visit as the first left it.
        assert statuses(found) in ([200, 200], [200, 404], [200, 409], [200, 422])
        assert claims_match()
        live = [x for x in freya.get(visit).body["lines"] if x["state"] == "planned"]
        assert len(live) == 1
        assert freya.post(f"{visit}/cancel").status_code == 200


def test_two_conditions_set_at_once_leave_one_of_a_kind(desks, now):
    freya, lena = desks
    path = f"clients/{uid('cora')}/booking-conditions"
    for n in range(ROUNDS):
        said = [{"kind": "needs_longer", "extra_minutes": 10 + n + m} for m in (0, 20)]
        found = at_once(lambda s=said[0]: freya.post(path, s), lambda s=said[1]: lena.post(path, s))
        assert statuses(found) == [201, 201]
        assert count(BUSINESS, "services_booking_condition", "lifted_at IS NULL") == 1


def test_a_break_is_never_sold_over(desks, now):
    """Booked, held, moved to, extended into or offered: a meal break is nobody's to take."""
    freya, lena = desks
    # Petra eats from three to half past three, Chicago: three hours from now.
    shift = f"shifts/{uid('petra 2')}"
    etag = lena.get(shift)["ETag"]
    given = lena.patch(shift, {"breaks": [["15:00", "15:30"]]}, If_Match=etag)
    assert given.status_code == 200, given.body
    into, person = lip(now, 175), str(uid("petra"))
    mine = booked(freya, now, 60)
    hers = booked(freya, now, 175, "celia", who="lena", room="room 2")
    answers = [
        freya.post(PLACE, {"client_id": str(uid("cora")), "lines": [into]}),
        freya.post(f"locations/{LAKE}/holds", {"lines": [into]}),
        freya.post(f"{mine}/move", {"lines": [into]}),
        freya.post(f"{hers}/reassign", {"practitioner_id": person}),
        # Her turnover would run into it: that is work too.
        freya.post(PLACE, {"client_id": str(uid("cora")), "lines": [lip(now, 155)]}),
    ]
    assert [a.body["type"] for a in answers] == ["/problems/off-shift"] * 5
    late = freya.post(f"{mine}/late-arrival", {"minutes": 115}).body["offers"]
    asked = {"client_id": str(uid("cora")), "from": line(now, minutes=100)["starts_at"], "limit": 50,
             "lines": [{"service_id": str(uid("lip wax")), "practitioner_id": person}]}  # fmt: skip
    options = freya.post(f"locations/{LAKE}/availability", asked).body["options"]
    starts, ends = now.replace(hour=20), now.replace(hour=20, minute=30)
    for option in [*options, *(o["option"] for o in late if o["option"])]:
        for x in option["lines"]:
            if x["practitioner_id"] == person:
                before = x["turnover_ends_at"] <= f"{starts:%Y-%m-%dT%H:%M:%S.%fZ}"
                assert before or x["set_up_at"] >= f"{ends:%Y-%m-%dT%H:%M:%S.%fZ}"
    assert options and claims_match()


def test_a_line_runs_longer_while_the_time_behind_it_is_booked_and_one_has_it(desks, now):
    made = {}

    def call(name):
        return made.setdefault(name, Caller(secret_of(name)))

    freya, _ = desks
    here = running(call, now, line(now, minutes=30))
    mine, taken = here["lines"][0], 0
    for n in range(ROUNDS):
        end = datetime.fromisoformat(
            freya.get(f"visits/{here['id']}").body["lines"][0]["turnover_ends_at"]
        )
        # Her set-up for the next client would begin when this turnover ends.
        behind = lip(end, 5, room="room 2")
        booking = {"client_id": str(uid("celia")), "lines": [behind]}
        found = at_once(
            lambda: call("petra").post(f"lines/{mine['id']}/extend", {"minutes": 5}),
            lambda b=booking: freya.post(PLACE, b),
        )
        assert statuses(found) in ([200, 409], [201, 409]), n
        if found[1].status_code == 201:
            taken += 1
            assert found[0].body["free_minutes"] == 0
            gone = freya.post(f"visits/{found[1].body['id']}/cancel")
            assert gone.status_code == 200
        else:
            assert found[1].body["alternatives"]
        assert claims_match()
    longer = freya.get(f"visits/{here['id']}").body["lines"][0]
    grown = datetime.fromisoformat(longer["ends_at"]) - datetime.fromisoformat(mine["ends_at"])
    assert grown == (ROUNDS - taken) * timedelta(minutes=5)
