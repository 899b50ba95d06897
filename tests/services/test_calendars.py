"""Calendars over HTTP: secret addresses, what is read there, and who may give and take them back."""

from datetime import datetime, timedelta

import icalendar
import pytest
from django.test import Client

from services.link_tokens import CALENDAR, INTAKE
from spa_ops.kernel import clock
from spa_ops.tenancy.models import Membership
from spa_ops.unit.work import reading
from tests.services.day import book, line
from tests.world import BUSINESS, HARBOR, LAKE, OTHER, uid


@pytest.fixture(autouse=True)
def _many_pages_a_minute(settings):
    """The clock of the tests stands still: all of them ask within one minute."""
    settings.PAGES_PER_MINUTE = 1_000_000


def opened(call, by="petra", place=LAKE, **whose):
    whose = {name: str(uid(value)) for name, value in whose.items()}
    return call(by).post(f"locations/{place}/calendars", whose)


def address(call, by="petra", **whose):
    found = opened(call, by, **(whose or {"person_id": by}))
    assert found.status_code == 201, found.body
    return found.body["url"].removeprefix("http://testserver")


def entries(url):
    found = Client().get(url)
    assert (found.status_code, found["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    return icalendar.Calendar.from_ical(found.content).walk("VEVENT")


def test_a_practitioner_reads_their_visits_and_no_client(call, now):
    url = address(call)
    assert entries(url) == []
    visit = book(call, now, line(now, minutes=120)).body
    (entry,) = entries(url)
    whole = visit["lines"][0]
    assert entry.start == datetime.fromisoformat(whole["set_up_at"])
    assert entry.end == datetime.fromisoformat(whole["turnover_ends_at"])
    assert str(entry["SUMMARY"]) == "room 1: Brow Wax"
    assert str(entry["UID"]) == f"{visit['id']}-0"
    text = Client().get(url).content.decode()
    assert str(uid("cora")) not in text and "cora" not in text.lower()


def test_a_room_shows_who_works_there(call, now):
    url = address(call, "lena", room_id="room 1")
    assert book(call, now, line(now, minutes=120)).status_code == 201
    beside = line(now, minutes=120, who="pavel", room="room 2", kit="brow kit 2")
    assert book(call, now, beside, client="celia").status_code == 201
    assert [str(e["SUMMARY"]) for e in entries(url)] == ["Petra: Brow Wax"]


@pytest.mark.parametrize(("by", "of"), [("petra", "person_id"), ("lena", "room_id")])
def test_an_absence_or_a_closure_is_shown_and_not_why(call, now, by, of):
    whose = {of: "petra" if of == "person_id" else "room 1"}
    url = address(call, by, **whose)
    body = {"kind": "time_off", of: str(uid(whose[of]))}
    first, last = now + timedelta(hours=2), now + timedelta(hours=4)
    body |= {"starts_at": first.isoformat(), "ends_at": last.isoformat()}
    absence = call("lena").post(f"locations/{LAKE}/absences", body)
    assert absence.status_code == 201, absence.body
    (entry,) = entries(url)
    assert (entry.start, entry.end, str(entry["SUMMARY"])) == (first, last, "Not available")
    assert call("lena").post(f"absences/{absence.body['id']}/end").status_code == 200
    assert entries(url) == []


def test_a_move_keeps_the_entry_and_a_cancellation_takes_it_away(call, now):
    url = address(call)
    visit = book(call, now, line(now, minutes=120)).body
    (before,) = entries(url)
    moved = call("freya").post(
        f"visits/{visit['id']}/move",
        {"lines": [line(now, minutes=240)]},
        If_Match=f'"{visit["version"]}"',
    )
    assert moved.status_code == 200, moved.body
    (after,) = entries(url)
    assert before["UID"] == after["UID"] and before.start != after.start
    assert after["SEQUENCE"] > before["SEQUENCE"]
    assert after["DTSTAMP"].dt >= before["DTSTAMP"].dt
    off = call("freya").post(f"visits/{visit['id']}/cancel", {"reason": "invented"})
    assert off.status_code == 200, off.body
    assert entries(url) == []


def test_who_asks_again_is_told_that_nothing_changed(call, now):
    url = address(call)
    first = Client().get(url)
    assert first["Cache-Control"] == "private, no-cache"
    again = Client().get(url, headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    book(call, now, line(now, minutes=120))
    assert Client().get(url, headers={"If-None-Match": first["ETag"]}).status_code == 200
    assert Client().head(url).content == b""
    refused = Client().post(url)
    assert (refused.status_code, refused["Allow"]) == (405, "GET, HEAD")


def test_an_address_taken_back_or_replaced_is_not_there(call):
    older = address(call)
    newer = address(call)
    assert [Client().get(url).status_code for url in (older, newer)] == [404, 200]
    (kept,) = call("petra").get(f"locations/{LAKE}/calendars").body["items"]
    assert kept["person_id"] == str(uid("petra")) and "url" not in kept
    for _ in range(2):
        assert call("petra").post(f"calendars/{kept['id']}/revoke").status_code == 200
    assert Client().get(newer).status_code == 404
    assert call("petra").get(f"locations/{LAKE}/calendars").body["items"] == []


def test_a_made_up_foreign_or_other_token_is_not_there(call):
    for token in (
        "x",
        "é" * 64,
        CALENDAR.made(BUSINESS)[0],
        CALENDAR.made(OTHER)[0],
        INTAKE.made(BUSINESS)[0],
    ):
        assert Client().get(f"/calendars/{token}.ics").status_code == 404
    url = address(call)
    token = url.removeprefix("/calendars/").removesuffix(".ics")
    assert Client().get(f"/intake/{token}").status_code == 404


def test_only_a_lead_opens_what_is_not_ones_own(call):
    assert opened(call, "petra", person_id="pavel").status_code == 403
    assert opened(call, "petra", room_id="room 1").status_code == 403
    assert opened(call, "lena", person_id="pavel").status_code == 201
    assert opened(call, "olga", room_id="room 1").status_code == 201
    assert opened(call, "freya", person_id="freya").status_code == 403
    assert opened(call, "lena", person_id="hana").status_code == 404  # works elsewhere
    assert opened(call, "lena", room_id="far room").status_code == 404
    assert opened(call, "lena", place=HARBOR, person_id="hana").status_code == 404
    for both in ({}, {"person_id": "petra", "room_id": "room 1"}):
        assert opened(call, "lena", **both).status_code == 422
    (room,) = [
        i for i in call("lena").get(f"locations/{LAKE}/calendars").body["items"] if i["room_id"]
    ]
    assert call("petra").get(f"locations/{LAKE}/calendars").body["items"] == []
    assert call("petra").post(f"calendars/{room['id']}/revoke").status_code == 403
    assert call("henk").post(f"calendars/{room['id']}/revoke").status_code == 404


def test_who_works_here_no_more_is_read_no_more(call, now):
    url = address(call)
    assert Client().get(url).status_code == 200
    with reading(BUSINESS):
        role = Membership.objects.get(person_id=uid("petra"))
    assert call("olga").post(f"memberships/{role.id}/end").status_code == 200
    with clock.stopped_at(now + timedelta(minutes=1)):
        assert Client().get(url).status_code == 404


def test_a_replay_opens_nothing_new_and_shows_no_address(call):
    first = call("petra").post(
        f"locations/{LAKE}/calendars", {"person_id": str(uid("petra"))}, Idempotency_Key="once"
    )
    again = call("petra").post(
        f"locations/{LAKE}/calendars", {"person_id": str(uid("petra"))}, Idempotency_Key="once"
    )
    assert (again.body["id"], again.body["url"]) == (first.body["id"], None)
    assert Client().get(first.body["url"].removeprefix("http://testserver")).status_code == 200
