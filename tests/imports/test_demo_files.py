"""The invented demo files: the same bytes each time, as untidy as promised, and free of clashes."""

import json
from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import phonenumbers
import pytest
import yaml

from services.imports import demo_business, demo_people
from services.imports.client_files import open_clients
from services.imports.demo_business import HARBORSIDE, LAKESIDE, SERVICES
from services.imports.demo_calendar import demo_visits
from services.imports.directory import Known, directory
from services.imports.make_demo_files import MONDAY, SEED, demo_files, main
from services.imports.price_lists import EVERYDAY_WORDS, Words, open_services
from services.imports.sheets import Place
from services.imports.visit_files import CancelledVisit, VisitRow, open_visits
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo"
TODAY = date(2026, 3, 4)
NOW = datetime(2026, 3, 4, 15, tzinfo=UTC)


def place(location: demo_business.DemoLocation) -> Place:
    return Place(country=location.country, zone=location.zone, currency=location.currency)


def client_rows(name: str, location: demo_business.DemoLocation, folder: Path = DEMO):
    path = folder / f"clients-{name}.csv"
    sheet = open_clients(path, place=place(location), today=TODAY, source=name)
    return sheet, list(sheet.rows())


def service_rows(folder: Path = DEMO):
    rules = yaml.safe_load((ROOT / "clients/screening_rules/vocabulary.yaml").read_text())
    areas = {area for parent, inside in rules["areas"].items() for area in (parent, *inside)}
    words = Words(areas=areas, methods=set(rules["methods"]), also=EVERYDAY_WORDS)
    sheet = open_services(folder / "services.csv", place=place(LAKESIDE), words=words)
    return sheet, list(sheet.rows())


def the_directory(folder: Path = DEMO):
    clients = [r.value for r in client_rows("lakeside", LAKESIDE, folder)[1] if r.value]
    services = [r.value for r in service_rows(folder)[1] if r.value]
    return directory(
        clients=[Known(id=uuid7(), names=[c.name], email=c.email, phone=c.phone) for c in clients],
        services=[Known(id=uuid7(), names=[s.name]) for s in services],
        team=[Known(id=uuid7(), names=[p.name], email=p.email) for p in LAKESIDE.team],
        rooms=[Known(id=uuid7(), names=[r.name]) for r in LAKESIDE.rooms],
    )


def visit_rows(folder: Path = DEMO, now: datetime = NOW):
    source = open_visits(
        folder / "visits-lakeside.ics",
        place=place(LAKESIDE),
        directory=the_directory(folder),
        window=Period(now - timedelta(days=365), now + timedelta(days=365)),
        now=now,
    )
    return source, list(source.rows())


def errors(rows) -> Counter:
    return Counter(error.code for row in rows for error in row.errors)


def test_the_files_in_the_folder_are_what_the_script_writes(tmp_path):
    main([str(tmp_path)])
    written = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    kept = {
        path.name: path.read_bytes() for path in DEMO.iterdir() if path.name != ".gitattributes"
    }
    assert written == kept
    assert sum(map(len, kept.values())) < 1_500_000


def test_the_readme_says_that_all_is_invented():
    assert "Everything in this folder is invented" in (DEMO / "README.md").read_text()
    assert "Nobody" in json.loads((DEMO / "business.json").read_text())["invented"]


def test_there_are_400_clients_and_the_rest_says_why_not():
    sheet, lakeside = client_rows("lakeside", LAKESIDE)
    assert sum(row.value is not None for row in lakeside) == 260
    assert errors(lakeside) == {
        "row-repeated": 7, "phone-area-code": 1, "phone-invalid": 1, "phone-lost-digits": 1,
        "date-impossible": 1, "empty": 1, "email-invalid": 1, "spreadsheet-error": 1, "row-too-long": 1,
    }  # fmt: skip
    assert sheet.report.encoding == "UTF-8"
    assert sheet.report.ignored_columns == ("Newsletter", "Favourite drink")
    assert any("month-first" in s for s in sheet.report.decisions)

    sheet, harborside = client_rows("harborside", HARBORSIDE)
    assert sum(row.value is not None for row in harborside) == 140
    assert errors(harborside) == {"row-repeated": 3, "date-impossible": 1, "phone-several": 1}
    assert sheet.report.encoding == "Windows-1252"
    assert any("day-first" in s for s in sheet.report.decisions)
    assert any("semicolons" in s for s in sheet.report.decisions)


def test_the_clients_that_are_read_are_those_that_were_made_up():
    made = demo_people.demo_clients(SEED)
    for name, location in (("lakeside", LAKESIDE), ("harborside", HARBORSIDE)):
        read = {
            row.value.source_id: row.value for row in client_rows(name, location)[1] if row.value
        }
        assert len(made[name]) == len(read)
        for client in made[name]:
            found = read[client.number]
            assert (found.name, found.birth_date) == (client.name, client.born)
            assert found.phone == (f"+1{client.phone}" if client.phone else "")
            assert found.email.lower() == client.email
            assert found.allergies == client.allergies


def test_phone_numbers_are_those_set_apart_for_fiction_and_addresses_reserved():
    for people in demo_people.demo_clients(SEED).values():
        for person in people:
            if person.phone:
                assert person.phone[3:8] == "55501"
                assert phonenumbers.is_valid_number(phonenumbers.parse(person.phone, "US"))
            if person.email:
                assert person.email.split("@")[1] in {"example.com", "example.org", "post.invalid"}
    assert sum(not p.phone for p in demo_people.demo_clients(SEED)["lakeside"]) > 5


def test_there_are_35_services_with_the_minutes_and_prices_of_the_business():
    sheet, rows = service_rows()
    read = {row.value.name: row.value for row in rows if row.value}
    assert len(read) == len(SERVICES) == 35
    assert errors(rows) == {"row-repeated": 1, "method-unknown": 1, "price-unreadable": 1}
    for service in SERVICES:
        found = read[service.name]
        assert (
            found.set_up_minutes,
            found.consultation_minutes,
            found.hands_on_minutes,
            found.aftercare_minutes,
            found.clean_up_minutes,
        ) == service.minutes
        assert (found.price_minor, found.rebook_weeks) == (
            service.price * 100,
            service.rebook_weeks,
        )
        assert found.room_features == service.features
    assert sheet.report.ignored_columns == ("Popular",)


def test_every_service_can_be_done_by_somebody_in_some_room_with_a_kit():
    for location in (LAKESIDE, HARBORSIDE):
        for service in SERVICES:
            assert any(service.skill in person.skills for person in location.team)
            assert any(set(service.features) <= set(room.features) for room in location.rooms)
            assert service.kit in {kit.kind for kit in location.kits}


def test_there_are_six_weeks_of_visits_and_the_rest_says_why_not():
    source, rows = visit_rows()
    kinds = Counter(type(row.value) for row in rows)
    assert (kinds[VisitRow], kinds[CancelledVisit]) == (619, 32)
    assert errors(rows) == {
        "client-missing": 1, "service-missing": 1, "room-missing": 1, "length-missing": 1,
    }  # fmt: skip
    assert source.passed_over == {"cancelled visits": 32, "whole-day entries": 1}
    found = [row.value for row in rows if isinstance(row.value, VisitRow)]
    assert len({visit.room_id for visit in found}) == 3
    assert len({visit.practitioner_id for visit in found}) == 4
    days = {visit.starts_at.astimezone(ZoneInfo(LAKESIDE.zone)).date() for visit in found}
    assert (min(days), max(days)) == (date(2026, 2, 16), date(2026, 3, 28))
    assert len(days) == 36
    clocks = next(s for s in source.report.decisions if s.startswith("Events by clock"))
    assert all(word in clocks for word in ("UTC", "floating", "Lakeside wall clock", LAKESIDE.zone))
    assert 0 < sum(visit.holds_claims for visit in found) < len(found)


def test_the_standard_library_of_calendars_finds_the_same_events():
    calendar = icalendar.Calendar.from_ical((DEMO / "visits-lakeside.ics").read_bytes())
    source, rows = visit_rows()
    assert source.report.rows == len(calendar.events)
    zone = ZoneInfo(LAKESIDE.zone)
    read = {row.value.external_id: row.value for row in rows if row.value}
    for event in calendar.events:
        start = event["DTSTART"].dt
        if str(event["UID"]) in read and isinstance(start, datetime):
            aware = start if start.tzinfo else start.replace(tzinfo=zone)
            assert read[str(event["UID"])].starts_at == aware
    assert len([r for r in read if r.startswith("tuesdays@")]) == 5


def test_running_twice_finds_the_same_external_ids():
    ids = [[row.value.external_id for row in visit_rows()[1] if row.value] for _ in range(2)]
    assert ids[0] == ids[1]
    assert len(set(ids[0])) == len(ids[0])


def clashes(found: list[VisitRow], thing: str) -> list[tuple[VisitRow, VisitRow]]:
    by_thing = defaultdict(list)
    for visit in found:
        by_thing[getattr(visit, thing)].append(visit)
    return [
        (one, other)
        for visits in by_thing.values()
        for one, other in pairwise(sorted(visits, key=lambda v: v.starts_at))
        if other.starts_at < one.ends_at
    ]


@pytest.mark.parametrize("monday", [MONDAY, date(2026, 10, 19), date(2027, 12, 27)])
def test_nobody_and_nothing_is_in_two_places_whatever_the_week(tmp_path, monday):
    main([str(tmp_path), "--monday", monday.isoformat()])
    now = datetime.combine(monday, datetime.min.time(), UTC)
    _, rows = visit_rows(tmp_path, now)
    found = [row.value for row in rows if isinstance(row.value, VisitRow)]
    assert len(found) == 619
    for thing in ("client_id", "practitioner_id", "room_id"):
        assert clashes(found, thing) == []


def test_there_is_time_for_set_up_and_turnover_between_visits_and_within_opening_hours():
    visits = demo_visits(demo_people.demo_clients(SEED)["lakeside"], MONDAY, SEED)
    by_room_day = defaultdict(list)
    for visit in visits:
        assert {s.skill for s in visit.services} <= set(visit.practitioner.skills)
        assert {f for s in visit.services for f in s.features} <= set(visit.room.features)
        assert visit.start.weekday() in visit.practitioner.weekdays
        by_room_day[visit.room.name, visit.start.date()].append(visit)
    for stays in by_room_day.values():
        assert len({stay.practitioner.name for stay in stays}) == 1
        first, last = stays[0], stays[-1]
        set_up = timedelta(minutes=max(s.minutes[0] for s in first.services))
        clean_up = timedelta(minutes=max(s.minutes[4] for s in last.services))
        assert f"{first.start - set_up:%H:%M}" >= demo_business.OPENS
        assert f"{last.end + clean_up:%H:%M}" <= demo_business.CLOSES
        for one, other in pairwise(stays):
            needed = max(s.minutes[4] for s in one.services) + max(
                s.minutes[0] for s in other.services
            )
            assert other.start - one.end >= timedelta(minutes=needed)


def test_only_a_monday_moves_the_visits():
    with pytest.raises(ValueError, match="no Monday"):
        demo_files(date(2026, 3, 3))


def test_another_week_changes_the_visits_and_nothing_else():
    here, there = demo_files(), demo_files(MONDAY + timedelta(weeks=30))
    assert {name for name in here if here[name] != there[name]} == {"visits-lakeside.ics"}
