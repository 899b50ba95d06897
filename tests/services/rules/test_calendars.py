"""Calendar entries from what plans take, and their text against RFC 5545 and the icalendar library."""

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

import icalendar
from hypothesis import given
from hypothesis import strategies as st

from services.calendar_files import calendar_text
from services.rules.calendars import SERVICE, Event, Taken, events
from spa_ops.kernel.intervals import Period

SPACE = UUID("5ba00000-0000-4000-8000-00000000ca1e")
NINE = datetime(2026, 8, 3, 14, tzinfo=UTC)


def at(minutes):
    return NINE + timedelta(minutes=minutes)


def taken(start, end, phase=SERVICE, visit="one", service="Brow wax", beside="Room 1"):
    return Taken(
        id=uuid5(SPACE, f"{start} {end}"),
        period=Period(at(start), at(end)),
        phase=phase,
        visit_id=visit and uuid5(SPACE, visit),
        version=3,
        changed_at=at(-600),
        service=service,
        beside=beside,
    )


def text_of(found, name="Petra, Lake", place="Lake"):
    return calendar_text(name=name, place=place, found=found, made_at=NINE)


def test_what_a_visit_takes_without_a_gap_is_one_entry():
    found = list(
        events(
            [
                taken(0, 5, "set_up"),
                taken(5, 30),
                taken(30, 50, service="Lip wax"),
                taken(50, 60, "turnover"),
            ]
        )
    )
    assert [(e.period, e.summary) for e in found] == [
        (Period(at(0), at(60)), "Room 1: Brow wax, Lip wax")
    ]
    assert found[0].expected_at == at(5)


def test_a_gap_and_another_visit_begin_another_entry():
    found = list(
        events(
            [
                taken(0, 5, "set_up"),
                taken(30, 40, "turnover"),
                taken(40, 60, visit="two", beside="Room 2"),
            ]
        )
    )
    assert [e.summary for e in found] == [
        "Room 1: set-up",
        "Room 1: turnover",
        "Room 2: Brow wax",
    ]
    assert len({e.uid for e in found}) == 3


def test_an_absence_shows_as_not_available_and_nothing_as_nothing():
    away = list(events([taken(0, 60, "absence", visit=None, service="", beside="")]))
    assert [e.summary for e in away] == ["Not available"]
    assert list(events([])) == []


def test_an_entry_keeps_its_name_when_the_visit_moves():
    (before,), (after,) = (list(events([taken(start, start + 30)])) for start in (0, 2000))
    assert (before.uid, before.period) != (after.uid, after.period)
    assert before.uid == after.uid


# RFC 5545 3.1: lines end in CRLF and have at most 75 octets; 3.6 and 3.6.1: what must be there, once.
@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=120))
def test_any_name_makes_lines_that_the_standard_allows(name):
    text = text_of(events([taken(0, 30, service=name, beside=name)]), name=name, place=name)
    lines = text.split(b"\r\n")
    assert lines[-1] == b"" and all(len(line) <= 75 for line in lines)
    assert b"\n" not in text.replace(b"\r\n", b"")
    plain = [line.split(b":")[0].split(b";")[0] for line in lines]
    for needed in (b"PRODID", b"VERSION", b"UID", b"DTSTAMP", b"DTSTART"):
        assert plain.count(needed) == 1
    (entry,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert (str(entry["SUMMARY"]), str(entry["LOCATION"])) == (f"{name}: {name}", name)


def test_both_clock_changes_keep_every_minute():
    # Chicago 2026: 8 March 02:00 -> 03:00, 1 November 02:00 -> 01:00; the zone is tzdata's.
    chicago = ZoneInfo("America/Chicago")
    for change in (datetime(2026, 3, 8, 8, tzinfo=UTC), datetime(2026, 11, 1, 7, tzinfo=UTC)):
        assert (change - timedelta(minutes=1)).astimezone(chicago).utcoffset() != change.astimezone(
            chicago
        ).utcoffset()
        span = Period(change - timedelta(minutes=30), change + timedelta(minutes=30))
        event = Event(uid="a", period=span, summary="x", version=1, changed_at=None)
        (entry,) = icalendar.Calendar.from_ical(text_of([event])).walk("VEVENT")
        assert (entry.start, entry.end) == (span.start, span.end)
        assert b"DTSTART:" + f"{span.start:%Y%m%dT%H%M%SZ}".encode() in text_of([event])
