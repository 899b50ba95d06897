"""Time off, closed rooms, kits away, and days worked otherwise: over HTTP, for booking and availability alike."""

from datetime import datetime, timedelta

import pytest

from spa_ops.claims.models import Claim
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.concurrency.invariants import flaws
from tests.services.day import book, line
from tests.services.test_availability import found, pick
from tests.services.test_holds import at_once
from tests.world import BUSINESS, HARBOR, LAKE, uid

ABSENCES, DAYS = f"locations/{LAKE}/absences", f"locations/{LAKE}/shift-days"
HOUR = timedelta(hours=1)


def away(call, now, *, of=("person_id", "petra"), first=2, last=4, by="lena", **more):
    body = {
        of[0]: str(uid(of[1])), "kind": "time_off",
        "starts_at": (now + first * HOUR).isoformat(), "ends_at": (now + last * HOUR).isoformat(),
    }  # fmt: skip
    return call(by).post(ABSENCES, body | more)


def starts(call, now, *, who="petra", room="room 1", hours=6):
    """The starts offered for a lip wax with one practitioner in one room, and when each is all over."""
    given = found(
        call, now, pick("lip wax", practitioner=who, room=room),
        to=(now + hours * HOUR).isoformat(), limit=200,
    )  # fmt: skip
    parse = datetime.fromisoformat
    return [
        (parse(o["lines"][0]["set_up_at"]), parse(o["lines"][0]["turnover_ends_at"]))
        for o in given["options"]
    ]


def slug(answer):
    return answer.body["type"].removeprefix("/problems/")


def test_nothing_is_offered_or_booked_while_somebody_is_off_and_again_when_they_are_back(call, now):
    before = starts(call, now)
    absence = away(call, now)
    assert absence.status_code == 201, absence.body
    first, last = now + 2 * HOUR, now + 4 * HOUR
    assert starts(call, now) == [(a, b) for a, b in before if b <= first or a >= last]
    refused = book(call, now, line(now, minutes=150, service="lip wax", kit=None))
    assert (refused.status_code, slug(refused)) == (409, "claim-clash")
    assert {c["phase"] for c in refused.body["clashes"]} == {"absence"}
    listed = call("freya").get(ABSENCES).body["items"]
    assert [x["id"] for x in listed] == [absence.body["id"]]
    ended = call("lena").post(f"absences/{absence.body['id']}/end")
    assert ended.status_code == 200 and ended.body["ended_at"]
    assert starts(call, now) == before
    assert call("freya").get(ABSENCES).body["items"] == []
    again = call("lena").post(f"absences/{absence.body['id']}/end")
    assert (again.status_code, slug(again)) == (409, "wrong-state")


def test_a_closed_room_and_a_kit_away_are_taken_too(call, now):
    assert away(call, now, of=("room_id", "room 1"), kind="closed").status_code == 201
    assert away(call, now, of=("kit_id", "brow kit 1"), kind="repair").status_code == 201
    in_room = book(call, now, line(now, minutes=150, service="lip wax", kit=None))
    assert {c["kind"] for c in in_room.body["clashes"]} == {"room"}
    with_kit = book(call, now, line(now, minutes=150, room="room 2"))
    assert {c["kind"] for c in with_kit.body["clashes"]} == {"kit"}


def test_what_is_booked_stays_and_is_named(call, now):
    booked = book(call, now, line(now, minutes=150))
    assert booked.status_code == 201
    refused = away(call, now)
    assert (refused.status_code, slug(refused)) == (409, "claim-clash")
    assert call("lena").get(ABSENCES).body["items"] == []
    with reading(BUSINESS):
        assert not Claim.objects.filter(phase="absence").exists()


@pytest.mark.parametrize(
    ("more", "pointer"),
    [
        ({"room_id": str(uid("room 1"))}, "/person_id"),
        ({"person_id": None}, "/person_id"),
        ({"ends_at": "2026-05-06T17:00:00Z"}, "/ends_at"),
        ({"ends_at": "2028-05-06T17:00:00Z"}, "/ends_at"),
        ({"kind": "ill"}, "/kind"),
    ],
)
def test_a_bad_absence_names_the_field_and_takes_nothing(call, now, more, pointer):
    refused = away(call, now, **more)
    assert refused.status_code == 422 and refused.body["errors"][0]["pointer"] == pointer
    with reading(BUSINESS):
        assert not Claim.objects.filter(phase="absence").exists()


def test_things_of_elsewhere_are_not_there(call, now):
    for of in (("room_id", "harbor room 1"), ("kit_id", "nothing"), ("person_id", "hana")):
        assert away(call, now, of=of).status_code == 404, of
    assert call("henk").post(f"locations/{LAKE}/absences", {}).status_code in {403, 404, 422}


def test_of_a_booking_and_an_absence_at_once_one_has_the_time(own_database, now):
    lena, freya = Caller(secret_of("lena")), Caller(secret_of("freya"))
    for n in range(6):
        first = now + timedelta(minutes=60 + 40 * n)
        off = {
            "person_id": str(uid("petra")), "kind": "time_off", "starts_at": first.isoformat(),
            "ends_at": (first + timedelta(minutes=30)).isoformat(),
        }  # fmt: skip
        lines = [line(first, minutes=0, kit=None, service="lip wax")]
        visit = {"client_id": str(uid("cora")), "lines": lines}
        answers = at_once(
            lambda off=off: lena.post(ABSENCES, off),
            lambda visit=visit: freya.post(f"locations/{LAKE}/visits", visit),
        )
        assert sorted(a.status_code for a in answers) == [201, 409]
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def test_a_break_is_never_planned_over(call, now):
    shift = next(
        s for s in call("lena").get(f"locations/{LAKE}/shifts").body["items"]
        if s["person_id"] == str(uid("petra")) and s["weekday"] == 2
    )  # fmt: skip
    before = starts(call, now)
    changed = call("lena").patch(
        f"shifts/{shift['id']}",
        {"breaks": [["13:30", "14:00"]]},
        If_Match=call("lena").get(f"shifts/{shift['id']}")["ETag"],
    )
    assert changed.status_code == 200 and changed.body["breaks"] == [["13:30", "14:00"]]
    # Half past one in Chicago, an hour and a half after noon.
    first, last = now + 1.5 * HOUR, now + 2 * HOUR
    assert starts(call, now) == [(a, b) for a, b in before if b <= first or a >= last]
    refused = book(call, now, line(now, minutes=85, service="lip wax", kit=None))
    assert (refused.status_code, slug(refused)) == (409, "off-shift")
    for breaks in ([["08:00", "08:30"]], [["13:00", "14:00"], ["13:30", "15:00"]], [["13:00"]]):
        bad = call("lena").patch(
            f"shifts/{shift['id']}", {"breaks": breaks}, If_Match=changed["ETag"]
        )
        assert bad.status_code == 422, breaks


def set_day(call, *spans, who="petra", on="2026-05-06", place=LAKE, by="lena", **more):
    body = {"person_id": str(uid(who)), "on": on, "spans": list(spans), **more}
    return call(by).post(f"locations/{place}/shift-days", body)


def test_one_day_is_worked_otherwise_and_then_as_every_week_again(call, now):
    before = starts(call, now)
    day = set_day(call, ["14:00", "15:00"], ["16:00", "17:00"])
    assert day.status_code == 201, day.body
    inside = [
        (a, b) for a, b in before
        if any(now + x * HOUR <= a and b <= now + (x + 1) * HOUR for x in (2, 4))
    ]  # fmt: skip
    assert starts(call, now) == inside and inside
    off = set_day(call)
    assert off.body["id"] == day.body["id"] and starts(call, now) == []
    refused = book(call, now, line(now, minutes=150))
    assert (refused.status_code, slug(refused)) == (409, "off-shift")
    listed = call("freya").get(DAYS).body["items"]
    assert [(x["on"], x["spans"]) for x in listed] == [("2026-05-06", [])]
    assert call("lena").post(f"shift-days/{day.body['id']}/withdraw").status_code == 200
    assert starts(call, now) == before
    assert call("lena").post(f"shift-days/{day.body['id']}/withdraw").status_code == 409


def test_a_day_worked_otherwise_may_not_overlap_other_work(call, now):
    attends = {
        "person_id": str(uid("petra")), "weekday": 6, "starts": "10:00", "ends": "12:00",
        "duty": "attendant",
    }  # fmt: skip
    assert call("lena").post(f"locations/{LAKE}/shifts", attends).status_code == 201
    sunday = "2026-05-10"
    refused = set_day(call, ["11:00", "13:00"], on=sunday)
    assert refused.status_code == 422 and refused.body["errors"][0]["code"] == "overlaps"
    assert set_day(call, ["12:00", "13:00"], on=sunday).status_code == 201
    longer = attends | {"weekday": 6, "starts": "12:30", "ends": "14:00"}
    refused = call("lena").post(f"locations/{LAKE}/shifts", longer)
    assert refused.status_code == 422 and refused.body["errors"][0]["code"] == "overlaps"
    assert set_day(call, ["13:00", "12:00"], ["11:00", "11:30"], on=sunday).status_code == 422
    assert set_day(call, who="freya", on=sunday).status_code == 409
    assert set_day(call, who="hana", on=sunday).status_code == 404
    assert clock.now() == now and HARBOR != LAKE


def test_an_absence_with_the_id_of_a_visit_gives_none_of_its_time_back(call, now):
    visit = book(call, now).body
    span = {"starts_at": line(now, minutes=200)["starts_at"], "ends_at": line(now, minutes=260)["starts_at"]}  # fmt: skip
    off = {"id": visit["id"], "kind": "time_off", "person_id": str(uid("lena")), **span}
    assert call("lena").post(ABSENCES, off).status_code == 201
    assert call("lena").post(f"absences/{visit['id']}/end").status_code == 200
    assert book(call, now, client="celia").status_code == 409
    # And the other way round.
    again = off | {"id": str(uid("one more"))}
    assert call("lena").post(ABSENCES, again).status_code == 201
    same = {"id": str(uid("one more")), "client_id": str(uid("celia")), "lines": [line(now, minutes=130)]}  # fmt: skip
    made = call("freya").post(f"locations/{LAKE}/visits", same)
    assert made.status_code == 201, made.body
    assert call("freya").post(f"visits/{made.body['id']}/cancel").status_code == 200
    hers = line(now, who="lena", room="room 2", kit="brow kit 2", minutes=210)
    assert book(call, now, hers, client="celia").status_code == 409
