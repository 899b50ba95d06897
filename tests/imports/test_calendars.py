"""Calendar files taken apart by events: structure, folding, bytes (RFC 5545)."""

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.imports.calendars import index_events
from services.imports.cells import clean
from services.imports.rows import FileRefused
from tests.imports.files import HOUR, WHO, calendar, codes, event, only, visits, write


def test_events_of_one_uid_belong_together_in_the_order_of_the_first(tmp_path):
    parts = [event(*HOUR, uid=uid) for uid in ("a", "b", "a", "c")]
    index = index_events(write(tmp_path, calendar(*parts)))
    assert [(first, len(events)) for first, events in index.groups()] == [(1, 2), (2, 1), (4, 1)]
    assert [first for first, _ in index.groups(after=1)] == [2, 4]
    assert len(index) == 4


def test_lines_are_those_of_the_file(tmp_path):
    raw = calendar(event(*HOUR, uid="a"), event(*HOUR, uid="b"))
    index = index_events(write(tmp_path, raw))
    lines = raw.decode().split("\r\n")
    for _, events in index.groups():
        for line, _ in events:
            assert lines[line - 1] == "BEGIN:VEVENT"


def test_an_alarm_has_a_uid_of_its_own(tmp_path):
    alarm = "BEGIN:VALARM\r\nUID:alarm\r\nACTION:DISPLAY\r\nTRIGGER:-PT5M\r\nEND:VALARM"
    parts = [event(alarm, *HOUR, uid="a"), event(alarm, *HOUR, uid="b")]
    index = index_events(write(tmp_path, calendar(*parts)))
    assert [len(events) for _, events in index.groups()] == [1, 1]


def test_starts_are_counted_by_their_clock(tmp_path):
    starts = [
        "DTSTART:20260310T100000Z",
        "DTSTART:20260310T100000",
        'DTSTART;TZID="America/Chicago":20260310T100000',
        "DTSTART;VALUE=DATE:20260310",
        "SUMMARY:no start",
    ]
    parts = [event(line, uid=str(n)) for n, line in enumerate(starts)]
    index = index_events(write(tmp_path, calendar(*parts)))
    assert index.starts == {
        "UTC": 1, "floating": 1, "America/Chicago": 1, "whole day": 1, "no start": 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"", "file-empty"),
        (b"name,email\n", "calendar-missing"),
        (calendar(event(*HOUR))[:-20], "calendar-cut-off"),
        (calendar(event(*HOUR))[:120], "calendar-cut-off"),
        (calendar("BEGIN:VEVENT\r\nUID:a", event(*HOUR)), "calendar-broken"),
        (calendar(), "no-rows"),
        ("BEGIN:VCALENDAR\nEND:VCALENDAR\n".encode("utf-16"), "calendar-encoding"),
    ],
)
def test_what_is_no_whole_calendar_is_refused(tmp_path, raw, code):
    with pytest.raises(FileRefused) as refused:
        visits(tmp_path, raw)
    assert refused.value.code == code


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-8-sig"])
def test_letters_come_through_in_the_encodings_that_occur(tmp_path, encoding):
    raw = calendar(event(*HOUR, *WHO, "DESCRIPTION:Zoë, naïve")).decode().encode(encoding)
    source, rows = visits(tmp_path, raw)
    assert only(rows).notes == "Zoë, naïve"
    assert source.report.decisions[0].startswith("Read as")


@given(
    st.text(
        st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Zs", "Zl", "Zp"]),
        max_size=120,
    ),
    st.integers(9, 75),
)
def test_folded_lines_come_back_also_when_cut_within_a_letter(tmp_path_factory, text, width):
    # The standard's own writer escapes; the folding here cuts octets, as RFC 5545 3.1 warns of.
    escaped = icalendar.vText(text).to_ical()
    line = b"DESCRIPTION:" + escaped
    folded = b"\r\n ".join(line[at : at + width] for at in range(0, len(line), width))
    raw = calendar(event(*HOUR, *WHO)).replace(b"LOCATION:Fern", folded + b"\r\nLOCATION:Fern")
    _, rows = visits(tmp_path_factory.mktemp("ics"), raw)
    assert only(rows).notes == clean(text)


def test_properties_of_no_use_may_be_broken(tmp_path):
    noise = [
        "X-SOMETHING;=:broken",
        "CREATED:yesterday",
        "GEO:north",
        "SEQUENCE:many",
        "ATTACH:" + "x" * 5000,
    ]
    _, rows = visits(tmp_path, calendar(event(*HOUR, *WHO, *noise)))
    assert only(rows).external_id == "one@example.com"


def test_todos_and_journals_are_no_visits_and_the_report_says_so(tmp_path):
    todo = "BEGIN:VTODO\r\nUID:t\r\nSUMMARY:Order cotton\r\nEND:VTODO"
    source, rows = visits(tmp_path, calendar(todo, event(*HOUR, *WHO), todo))
    assert len(rows) == 1
    assert "Not visits and not read: 2 VTODO." in source.report.decisions


def test_a_file_changed_after_the_survey_is_refused(tmp_path):
    source, _ = visits(tmp_path, calendar(event(*HOUR, *WHO)))
    write(tmp_path, calendar(event(*HOUR)), name="file.ics")
    with pytest.raises(FileRefused) as refused:
        list(source.rows())
    assert refused.value.code == "file-changed"


def test_line_feeds_alone_and_small_letters_are_read(tmp_path):
    raw = (
        calendar(event(*HOUR, *WHO))
        .replace(b"\r\n", b"\n")
        .replace(b"BEGIN:VEVENT", b"begin:vevent")
    )
    _, rows = visits(tmp_path, raw)
    assert codes(rows) == []
    assert len(rows) == 1
