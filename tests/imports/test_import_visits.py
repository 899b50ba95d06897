"""Importing a calendar through the command: history without claims, plans with all of them."""

from datetime import UTC, datetime

import pytest

from compliance.disinfection import actions as disinfection
from services.actions import booking, plans
from services.models import Line, Visit
from spa_ops.claims.models import Claim
from spa_ops.claims.queries import claims_of
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading
from tests.conftest import NOON
from tests.imports.commands import counts, imported, one, refused, rows, unfed
from tests.imports.files import calendar, event, write
from tests.world import BUSINESS, LAKE, OTHER, uid

pytestmark = pytest.mark.usefixtures("db")


def visit_event(at="20260507T100000", until="20260507T103500", *, name="Lip Wax", client="Cora Dvořák",
                who="Petra", room="room 1", uid="one@example.com", more=()):  # fmt: skip
    return event(
        f"DTSTART;TZID=America/Chicago:{at}",
        f"DTEND;TZID=America/Chicago:{until}",
        f"SUMMARY:{name} - {client}",
        f'ORGANIZER;CN="{who}":mailto:{who.lower()}@spa.example',
        f"LOCATION:{room}",
        *more,
        uid=uid,
    )


def ics(folder, *events):
    return write(folder, calendar(*events), name="visits.ics")


def visits():
    with reading(BUSINESS):
        return {v.source_id: v for v in Visit.objects.exclude(source_id=None)}


def lines(visit):
    with reading(BUSINESS):
        return list(Line.objects.filter(visit=visit).order_by("position"))


def test_a_coming_visit_holds_every_claim_and_fills_its_time_in_the_calendar(tmp_path):
    imported("visits", ics(tmp_path, visit_event()))
    visit = visits()["one@example.com"]
    assert (visit.state, visit.location_id, visit.client_id) == ("booked", LAKE, uid("cora"))
    (line,) = lines(visit)
    # 10:00 in Chicago is 15:00 UTC in May; set-up and clean-up by the price list lie outside.
    at = lambda hour, minute: datetime(2026, 5, 7, hour, minute, tzinfo=UTC)
    assert (line.set_up_at, line.starts_at) == (at(14, 55), at(15, 0))
    assert (line.ends_at, line.turnover_ends_at) == (at(15, 35), at(15, 45))
    with reading(BUSINESS):
        found = {(c.bookable_id, c.phase) for c in claims_of(visit.id)}
    assert found == {
        (uid("cora"), "service"), (uid("petra"), "service"), (uid("room 1"), "service"),
        (uid("petra"), "set_up"), (uid("room 1"), "set_up"),
        (uid("petra"), "turnover"), (uid("room 1"), "turnover"),
    }  # fmt: skip


def test_it_cannot_be_booked_over_and_is_in_the_feed(tmp_path, call):
    imported("visits", ics(tmp_path, visit_event()))
    assert unfed("visit", "services_visit") == 0
    answer = call("freya").post(
        f"locations/{LAKE}/visits",
        {
            "client_id": str(uid("celia")),
            "lines": [
                {
                    "service_id": str(uid("full leg wax")),
                    "practitioner_id": str(uid("petra")),
                    "room_id": str(uid("room 2")),
                    "starts_at": "2026-05-07T15:20:00Z",
                }
            ],
        },
    )
    assert (answer.status_code, answer.body["type"]) == (409, "/problems/claim-clash")


def test_a_kit_is_found_for_a_service_that_needs_one_and_missing_kits_are_said(tmp_path):
    three = [
        visit_event(name="Brow Wax", client=client, who=who, room=room, uid=f"{client}@x")
        for client, who, room in (
            ("Cora Dvořák", "Petra", "room 1"), ("Celia O’Brien-Weiß", "Pavel", "room 2"),
        )
    ]  # fmt: skip
    imported("visits", ics(tmp_path, *three))
    kits = {line.kit_id for visit in visits().values() for line in lines(visit)}
    assert kits == {uid("brow kit 1"), uid("brow kit 2")}
    again = visit_event(name="Brow Wax", who="Lena", room="room 3", client="Cora Dvořák", uid="third@x",
                        at="20260507T101000", until="20260507T104500")  # fmt: skip
    said = refused("visits", ics(tmp_path, again))
    assert "Row 1, DTSTART: No brow is free at that time." in said
    disinfection.add_kit(
        actor=system_actor(BUSINESS), now=NOON, location_id=LAKE, name="brow kit 3", kind="brow"
    )
    # Now it is the client who is elsewhere.
    assert "The client is taken for service until 2026-05-07 10:35" in refused(
        "visits", ics(tmp_path, again)
    )


def test_a_past_visit_is_history_with_no_claim_and_no_screening(tmp_path, call):
    before = counts()
    past = visit_event("20260430T100000", "20260430T103500")
    imported("visits", ics(tmp_path, past))
    visit = visits()["one@example.com"]
    assert (visit.state, visit.left_at, visit.checked_out_at) == ("left", None, None)
    (line,) = lines(visit)
    assert (line.verdict, line.screened_on, line.started_at, line.finished_at) == (
        "",
        None,
        None,
        None,
    )
    assert counts()["claims_claim"] == before["claims_claim"]
    # Dashboards judge on entries alone: the only one is that of the file.
    kinds = rows(
        "SELECT DISTINCT kind FROM ledger_entry WHERE n > 0 AND kind ~ '^(visit|line|import)'"
    )
    assert kinds == [("import.completed",)]
    dashboard = call("olga").get("dashboard?from=2026-04-01&to=2026-05-06").body
    lake = next(x for x in dashboard["locations"] if x["location_id"] == str(LAKE))
    screened = next(f for f in lake["figures"] if f["name"] == "screened_before_start")
    assert (screened["met"], screened["of"]) == (0, 0)
    assert unfed("visit", "services_visit") == 0


def test_a_visit_under_way_is_still_a_plan(tmp_path):
    # NOON is 12:00 in Chicago.
    imported("visits", ics(tmp_path, visit_event("20260506T114000", "20260506T121500")))
    assert visits()["one@example.com"].state == "booked"


def test_several_services_share_one_stay(tmp_path):
    stay = visit_event(until="20260507T110000", name="Lip Wax + Full Leg Wax")
    imported("visits", ics(tmp_path, stay))
    first, second = lines(visits()["one@example.com"])
    assert (first.set_up_at, second.turnover_ends_at) == (
        datetime(2026, 5, 7, 14, 55, tzinfo=UTC), datetime(2026, 5, 7, 16, 10, tzinfo=UTC),
    )  # fmt: skip
    assert first.ends_at == second.starts_at == second.set_up_at == second.hands_on_at
    # 60 minutes less one consultation and one aftercare, shared as 10 to 45.
    shared = (first.aftercare_at - first.hands_on_at) / (second.aftercare_at - second.hands_on_at)
    assert shared == pytest.approx(10 / 45)


def test_a_clash_with_what_is_booked_is_a_rows_error_that_says_until_when(tmp_path):
    booking.book_visit(
        actor=system_actor(BUSINESS),
        now=NOON,
        location_id=LAKE,
        client_id=uid("celia"),
        lines=[
            plans.LineRequest(
                service_id=uid("lip wax"),
                practitioner_id=uid("petra"),
                room_id=uid("room 2"),
                starts_at=datetime(2026, 5, 7, 15, 10, tzinfo=UTC),
            )
        ],
    )
    before = counts()
    other = visit_event("20260508T100000", "20260508T103500", uid="two@example.com")
    said = refused("visits", ics(tmp_path, visit_event(), other))
    assert "Row 1, DTSTART: The practitioner is taken for" in said
    assert "by a visit or an absence that is booked here. Move one of the two" in said
    assert counts() == before
    said = imported("visits", ics(tmp_path, visit_event(), other), skip_bad=True)
    assert "1 added" in said
    assert set(visits()) == {"two@example.com"}


def test_rows_that_clash_with_each_other_name_each_other(tmp_path):
    # Back to back: the turnover of the first takes what the second's set-up needs.
    second = visit_event(
        "20260507T103500", "20260507T111000", client="Celia O’Brien-Weiß", uid="two@x"
    )
    said = refused("visits", ics(tmp_path, visit_event(), second))
    assert "Row 2, DTSTART" in said
    assert "until 2026-05-07 10:45 by the visit in row 1" in said
    assert "1 added" in imported("visits", ics(tmp_path, visit_event(), second), skip_bad=True)


def test_running_twice_doubles_nothing_and_another_time_is_said(tmp_path):
    imported(
        "visits",
        ics(
            tmp_path, visit_event(), visit_event("20260430T100000", "20260430T103500", uid="two@x")
        ),
    )
    before = counts()
    path = ics(
        tmp_path,
        visit_event("20260507T140000", "20260507T143500"),
        visit_event("20260430T100000", "20260430T103500", uid="two@x"),
    )
    said = imported("visits", path)
    assert "0 added, 2 here already" in said
    assert "Row 1: this visit was imported before, with another start, which stays." in said
    assert counts() == before | {"ledger_entry": before["ledger_entry"] + 1}


def test_what_the_calendar_calls_off_is_cancelled_and_its_time_free(tmp_path):
    imported("visits", ics(tmp_path, visit_event()))
    off = visit_event(more=("STATUS:CANCELLED",))
    instead = visit_event(client="Celia O’Brien-Weiß", uid="two@x")
    assert "1 would be added" in imported("visits", ics(tmp_path, off, instead), dry_run=True)
    said = imported("visits", ics(tmp_path, off, instead))
    assert "1 added" in said
    assert "1 cancelled" in said
    found = visits()
    assert {key: visit.state for key, visit in found.items()} == {
        "one@example.com": "cancelled",
        "two@x": "booked",
    }
    with reading(BUSINESS):
        assert not Claim.objects.filter(visit_id=found["one@example.com"].id).exists()
    assert unfed("visit", "services_visit") == 0
    # Once more: nothing is left to cancel.
    assert "0 cancelled" in imported("visits", ics(tmp_path, off, instead))


def test_what_was_called_off_before_it_came_is_only_counted(tmp_path):
    said = imported(
        "visits", ics(tmp_path, visit_event(more=("STATUS:CANCELLED",)), visit_event(uid="two@x"))
    )
    assert "1 x called off in the calendar, and not booked here." in said
    assert set(visits()) == {"two@x"}


def test_whom_nobody_knows_is_an_error_until_they_are_added(tmp_path):
    unknown = visit_event(client="Nobody Wehave")
    assert "Row 1" in refused("visits", ics(tmp_path, unknown))
    from clients import actions as clients

    clients.add_client(
        actor=system_actor(BUSINESS), now=NOON, name="Nobody Wehave", location_id=LAKE
    )
    assert "1 added" in imported("visits", ics(tmp_path, unknown))


def test_people_rooms_and_clients_of_elsewhere_are_not_known_here(tmp_path):
    for wrong in ({"who": "Hana"}, {"room": "pier room"}, {"client": "Hugo Łukasik"}):
        assert "Row 1" in refused("visits", ics(tmp_path, visit_event(**wrong)))


def test_a_practitioner_whose_time_cannot_be_booked_is_an_error(tmp_path):
    # Henk is a lead without skill or shift.
    harbor = visit_event(client="Hugo Łukasik", who="Henk", room="pier room")
    assert "neither a skill nor a shift" in refused(
        "visits", ics(tmp_path, harbor), location="Harbor"
    )


def test_another_business_is_not_touched(tmp_path):
    before = counts(OTHER)
    imported("visits", ics(tmp_path, visit_event()))
    assert counts(OTHER) == before


def test_a_service_needs_a_minute(tmp_path):
    short = visit_event(until="20260507T100030")
    assert "length-too-short" in refused("visits", ics(tmp_path, short))


def test_only_what_starts_in_the_asked_days_is_read(tmp_path):
    path = ics(
        tmp_path, visit_event(), visit_event("20260520T100000", "20260520T103500", uid="two@x")
    )
    assert "1 added" in imported("visits", path, read_until=datetime(2026, 5, 10).date())
    assert set(visits()) == {"one@example.com"}


def test_a_dry_run_changes_nothing(tmp_path):
    before = counts()
    assert "1 would be added" in imported("visits", ics(tmp_path, visit_event()), dry_run=True)
    assert counts() == before
    assert one("SELECT count(*) FROM imports_row") == 0
