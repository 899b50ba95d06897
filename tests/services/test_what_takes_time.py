"""How long the parts of a line take, for booking and availability alike: new clients, own times, developing."""

from datetime import datetime, timedelta

import pytest

from clients.rule_files import shipped_rule_set
from services.rules.attendance import NEVER_ALONE_AREAS, may_be_unattended
from tests.concurrency.invariants import flaws
from tests.services.day import book, line
from tests.services.test_availability import found, pick
from tests.world import BUSINESS, LAKE, uid

MINUTE = timedelta(minutes=1)


def change(call, name, **fields):
    path = f"services/{uid(name)}"
    etag = call("lena").get(path)["ETag"]
    return call("lena").patch(path, fields, If_Match=etag)


def lines_of(visit):
    names = ("set_up_at", "starts_at", "hands_on_at", "unattended_at", "aftercare_at", "ends_at", "turnover_ends_at")  # fmt: skip
    return [
        {n: x[n] and datetime.fromisoformat(x[n]) for n in names} for x in visit["lines"]
    ]  # fmt: skip


def booked_as_offered(call, since, *asked, client="cora"):
    """The first option for these lines, and the visit that it became: the same in every part."""
    option = found(call, since, *asked, client=client)["options"][0]
    visit = call("freya").post(f"locations/{LAKE}/visits", option["visit"])
    assert visit.status_code == 201, visit.body
    assert lines_of(visit.body) == lines_of(option)
    return visit.body


def test_who_was_never_treated_here_gets_more_minutes_and_only_then(call, now):
    before = lines_of(booked_as_offered(call, now + 60 * MINUTE, pick("lip wax"), client="celia"))
    assert change(call, "lip wax", new_client_minutes=15).status_code == 200
    after = lines_of(booked_as_offered(call, now + 60 * MINUTE, pick("lip wax"), client="cora"))
    talk = [x[0]["hands_on_at"] - x[0]["starts_at"] for x in (before, after)]
    assert talk[1] - talk[0] == 15 * MINUTE
    two = [pick("lip wax", practitioner="petra", room="room 1")] * 2
    twice = lines_of(booked_as_offered(call, now + 180 * MINUTE, *two, client="cora"))
    # The consultation is held once, and so are its further minutes.
    assert twice[1]["hands_on_at"] == twice[1]["starts_at"]


def test_a_practitioners_own_hands_on_time_counts_for_them_alone(call, now):
    body = {"service_id": str(uid("lip wax")), "hands_on_minutes": 40}
    granted = call("lena").post(f"people/{uid('petra')}/skills", body)
    assert granted.status_code == 201 and granted.body["hands_on_minutes"] == 40
    length = {}
    for who in ("petra", "lena"):
        one = lines_of(booked_as_offered(call, now, pick("lip wax", practitioner=who), client="cora" if who == "petra" else "celia"))  # fmt: skip
        length[who] = one[0]["aftercare_at"] - one[0]["hands_on_at"]
    assert length["petra"] == 40 * MINUTE and length["lena"] < 40 * MINUTE
    assert call("lena").post(f"people/{uid('petra')}/skills", body | {"hands_on_minutes": None}).body["hands_on_minutes"] is None  # fmt: skip
    for bad in (0, 481, "x"):
        refused = call("lena").post(
            f"people/{uid('petra')}/skills", body | {"hands_on_minutes": bad}
        )
        assert refused.status_code == 422, bad


def test_while_it_develops_unattended_the_practitioner_is_free_and_the_client_is_not(call, now):
    ready = change(
        call, "lip wax", developing_minutes=40, developing_attended=False, aftercare_minutes=5
    )
    assert ready.status_code == 200, ready.body
    mine = pick("lip wax", practitioner="petra", room="room 1")
    (one,) = lines_of(booked_as_offered(call, now + 60 * MINUTE, mine))
    assert one["aftercare_at"] - one["unattended_at"] == 40 * MINUTE
    assert change(call, "lip wax", developing_minutes=0, clean_up_minutes=0).status_code == 200
    inside = found(
        call, one["unattended_at"], pick("lip wax", practitioner="petra", room="room 2"),
        client="celia", to=one["aftercare_at"].isoformat(), limit=200,
    )  # fmt: skip
    assert inside["options"]
    visit = call("freya").post(f"locations/{LAKE}/visits", inside["options"][0]["visit"])
    assert visit.status_code == 201, visit.body
    # Not in that room, and not with that client.
    assert found(
        call, one["unattended_at"], mine, client="celia", to=one["aftercare_at"].isoformat()
    )["options"] == []  # fmt: skip
    same = line(one["unattended_at"], "lip wax", who="lena", room="room 3", kit=None, minutes=10)
    clash = book(call, now, same, client="cora")
    assert {c["kind"] for c in clash.body["clashes"]} == {"client"}
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_attended_developing_is_hands_on_time(call, now):
    assert change(call, "lip wax", developing_minutes=20).status_code == 200
    (one,) = lines_of(booked_as_offered(call, now, pick("lip wax")))
    assert one["unattended_at"] is None
    service = call("lena").get(f"services/{uid('lip wax')}").body
    assert one["aftercare_at"] - one["hands_on_at"] == (service["hands_on_minutes"] + 20) * MINUTE


@pytest.mark.parametrize("fields", [{"area": "lash", "method": "tint"}, {"method": "peel"}, {"area": "brow"}])  # fmt: skip
def test_nobody_is_left_alone_with_a_peel_or_at_the_eyes(call, now, fields):
    refused = change(call, "lip wax", developing_attended=False, **fields)
    assert refused.status_code == 422
    assert [e["pointer"] for e in refused.body["errors"]] == ["/developing_attended"]


def test_every_area_with_the_eyes_in_it_is_never_left_alone():
    # Against screening's own tree of areas: whatever holds the lashes or the brows.
    tree = shipped_rule_set().tree
    with_eyes = {area for area, within in tree.within.items() if within & {"lash", "brow"}}
    assert with_eyes == NEVER_ALONE_AREAS
    assert not any(may_be_unattended(area, "peel") for area in tree.within)
    assert may_be_unattended("back", "facial")


def turnovers(visit):
    return [x["turnover_ends_at"] - x["ends_at"] for x in lines_of(visit)]


def test_clean_up_is_never_shorter_than_the_steps_and_the_labels_wet_time(call, now):
    assert change(call, "lip wax", clean_up_minutes=0).status_code == 200
    wax = pick("lip wax", practitioner="petra", room="room 1")
    # Ten minutes on the label on file (tests/world_rooms.py), kept wet once; eight more required
    # steps at a quarter of a minute each (house policy): twelve minutes.
    label = booked_as_offered(call, now + 60 * MINUTE, wax)
    assert turnovers(label) == [12 * MINUTE]
    # The price list says what the house said.
    assert call("lena").get(f"services/{uid('lip wax')}").body["clean_up_minutes"] == 0
    quick = {
        "name": "quick wipe", "active": "hydrogen peroxide", "registration_number": "INVENTED-2-2",
        "parts_concentrate": "1", "parts_water": "0", "contact_seconds": 61, "hospital_type": True,
    }  # fmt: skip
    assert call("olga").post("disinfectants", quick).status_code == 201
    # 61 s and 8 times 15 s are 181 s: begun minutes are whole ones.
    shorter = booked_as_offered(call, now + 180 * MINUTE, wax)
    assert turnovers(shorter) == [4 * MINUTE]
    assert change(call, "lip wax", clean_up_minutes=25).status_code == 200
    longer = booked_as_offered(call, now + 300 * MINUTE, wax)
    assert turnovers(longer) == [25 * MINUTE]
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_a_changed_visit_keeps_the_least_clean_up(call, now):
    assert change(call, "lip wax", clean_up_minutes=0).status_code == 200
    one = booked_as_offered(
        call, now + 60 * MINUTE, pick("lip wax", practitioner="petra", room="room 1")
    )
    asked = line(now, "lip wax", who="petra", room="room 1", kit=None, minutes=None)
    added = call("freya").post(f"visits/{one['id']}/lines", asked)
    assert added.status_code in (200, 201), added.body
    assert turnovers(added.body) == [timedelta(0), 12 * MINUTE]
