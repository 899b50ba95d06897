"""Times, zones and series of calendars, against RFC 5545, dateutil and zoneinfo."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from services.imports.sheets import Place
from services.imports.visit_files import CancelledVisit, VisitRow
from spa_ops.kernel.intervals import Period
from tests.imports.files import (
    CHICAGO,
    HOUR,
    NOW,
    WHO,
    WINDOW,
    calendar,
    codes,
    event,
    only,
    visits,
)

CENTRAL = ZoneInfo("America/Chicago")
WEEKLY = (*HOUR, *WHO, "RRULE:FREQ=WEEKLY;COUNT=6")


def at(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def starts(rows) -> list[datetime]:
    assert codes(rows) == []
    return [row.value.starts_at for row in rows]


@pytest.mark.parametrize(
    ("lines", "start"),
    [
        (HOUR, at(2026, 3, 10, 15)),
        (("DTSTART:20260310T150000Z", "DTEND:20260310T160000Z"), at(2026, 3, 10, 15)),
        (("DTSTART:20260310T100000", "DTEND:20260310T110000"), at(2026, 3, 10, 15)),
        (("DTSTART:20260310T100000", "DURATION:PT1H"), at(2026, 3, 10, 15)),
        (("DTSTART;TZID=Europe/Berlin:20260310T100000", "DURATION:PT1H"), at(2026, 3, 10, 9)),
        (('DTSTART;TZID="Central Standard Time":20260310T100000', "DURATION:PT1H"), at(2026, 3, 10, 15)),
        (("DTSTART;TZID=/vendor.example/Asia/Kathmandu:20260310T100000", "DURATION:PT1H"), at(2026, 3, 10, 4, 15)),
        (("DTSTART;TZID=Pacific/Chatham:20260310T100000", "DURATION:PT1H"), at(2026, 3, 9, 20, 15)),
    ],
)  # fmt: skip
def test_each_way_to_write_a_time(tmp_path, lines, start):
    found = only(visits(tmp_path, calendar(event(*lines, *WHO)))[1])
    assert (found.starts_at, found.ends_at) == (start, start + timedelta(hours=1))


def test_floating_times_are_the_locations_and_the_report_says_so(tmp_path):
    raw = calendar(event("DTSTART:20260310T100000", "DURATION:PT30M", *WHO))
    place = Place(country="US", zone="America/Denver", currency="USD")
    source, rows = visits(tmp_path, raw, place=place)
    assert starts(rows) == [at(2026, 3, 10, 16)]
    assert any(
        "1 floating (without a zone: read as America/Denver" in s for s in source.report.decisions
    )


OWN_ZONE = """BEGIN:VTIMEZONE\r
TZID:Shop clock\r
BEGIN:STANDARD\r
DTSTART:19700101T000000\r
TZOFFSETFROM:{offset}\r
TZOFFSETTO:{offset}\r
END:STANDARD\r
END:VTIMEZONE"""
BY_SHOP_CLOCK = event('DTSTART;TZID="Shop clock":20260310T100000', "DURATION:PT1H", *WHO)


def test_a_zone_that_the_file_defines(tmp_path):
    raw = calendar(OWN_ZONE.format(offset="-0345"), BY_SHOP_CLOCK)
    assert starts(visits(tmp_path, raw)[1]) == [at(2026, 3, 10, 13, 45)]


def test_a_zone_may_be_defined_behind_its_first_use(tmp_path):
    raw = calendar(BY_SHOP_CLOCK, OWN_ZONE.format(offset="-0345"))
    assert starts(visits(tmp_path, raw)[1]) == [at(2026, 3, 10, 13, 45)]


def test_another_file_may_define_the_same_name_otherwise(tmp_path):
    for offset, hour in (("-0300", 13), ("+0500", 5)):
        raw = calendar(OWN_ZONE.format(offset=offset), BY_SHOP_CLOCK)
        assert starts(visits(tmp_path, raw)[1]) == [at(2026, 3, 10, hour)]
    assert codes(visits(tmp_path, calendar(BY_SHOP_CLOCK))[1]) == ["zone-unknown"]


def test_a_definition_does_not_overrule_a_real_zones_rules(tmp_path):
    wrong = OWN_ZONE.format(offset="+0900").replace("Shop clock", "America/Chicago")
    assert starts(visits(tmp_path, calendar(wrong, event(*HOUR, *WHO)))[1]) == [at(2026, 3, 10, 15)]


def test_a_definition_that_cannot_be_read_is_said(tmp_path):
    broken = "BEGIN:VTIMEZONE\r\nTZID:Shop clock\r\nEND:VTIMEZONE"
    source, rows = visits(
        tmp_path, calendar(broken, event(*HOUR, *WHO), BY_SHOP_CLOCK.replace("one@", "two@"))
    )
    assert codes(rows) == ["zone-unknown"]
    assert any("cannot be read" in s for s in source.report.decisions)


@pytest.mark.parametrize(
    ("wall", "utc", "note"),
    [
        # RFC 5545 3.3.5: a time that does not exist is read with the offset before the gap.
        ("20260308T023000", at(2026, 3, 8, 8, 30), "hour-missing"),
        # RFC 5545 3.3.5: of a time that exists twice, the first.
        ("20261101T013000", at(2026, 11, 1, 6, 30), "hour-doubled"),
        ("20260308T033000", at(2026, 3, 8, 8, 30), None),
    ],
)
@pytest.mark.parametrize("zone", [";TZID=America/Chicago", ""])
def test_missing_and_doubled_hours_have_one_answer_and_are_said(tmp_path, wall, utc, note, zone):
    raw = calendar(event(f"DTSTART{zone}:{wall}", "DURATION:PT30M", *WHO))
    _, rows = visits(tmp_path, raw, window=Period(at(2026, 1, 1), at(2027, 1, 1)))
    assert starts(rows) == [utc]
    assert [n.split(":")[0] for n in rows[0].notes] == ([note] if note else [])


def test_a_series_keeps_the_wall_clock_across_the_change_of_clocks(tmp_path):
    first = ("DTSTART;TZID=America/Chicago:20260224T100000", "DURATION:PT1H")
    raw = calendar(event(*first, *WHO, "RRULE:FREQ=WEEKLY;COUNT=4"))
    assert starts(visits(tmp_path, raw)[1]) == [
        at(2026, 2, 24, 16), at(2026, 3, 3, 16), at(2026, 3, 10, 15), at(2026, 3, 17, 15),
    ]  # fmt: skip


def test_a_series_in_utc_stays_in_utc_unless_the_calendar_names_its_zone(tmp_path):
    series = event("DTSTART:20260303T160000Z", "DURATION:PT1H", *WHO, "RRULE:FREQ=WEEKLY;COUNT=2")
    assert starts(visits(tmp_path, calendar(series))[1]) == [
        at(2026, 3, 3, 16),
        at(2026, 3, 10, 16),
    ]
    named = calendar("X-WR-TIMEZONE:America/Chicago", series)
    assert starts(visits(tmp_path, named)[1]) == [at(2026, 3, 3, 16), at(2026, 3, 10, 15)]


def test_the_calendars_own_zone_does_not_move_floating_times_and_a_difference_is_said(tmp_path):
    raw = calendar(
        "X-WR-TIMEZONE:Europe/Berlin", event("DTSTART:20260310T100000", "DURATION:PT1H", *WHO)
    )
    source, rows = visits(tmp_path, raw)
    assert starts(rows) == [at(2026, 3, 10, 15)]
    assert any(
        "Europe/Berlin, the location's America/Chicago" in s for s in source.report.decisions
    )
    series = event("DTSTART:20260303T100000", "DURATION:PT1H", *WHO, "RRULE:FREQ=WEEKLY;COUNT=2")
    _, rows = visits(tmp_path, calendar("X-WR-TIMEZONE:Europe/Berlin", series))
    assert starts(rows) == [at(2026, 3, 3, 16), at(2026, 3, 10, 15)]
    source, _ = visits(tmp_path, calendar("X-WR-TIMEZONE:Nowhere", event(*HOUR, *WHO)))
    assert any("'Nowhere' is not known" in s for s in source.report.decisions)


RULES = st.one_of(
    st.builds("FREQ=DAILY;INTERVAL={};COUNT={}".format, st.integers(1, 5), st.integers(1, 40)),
    st.builds(
        "FREQ=WEEKLY;INTERVAL={};BYDAY={}".format,
        st.integers(1, 4),
        st.lists(
            st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA"]), min_size=1, unique=True
        ).map(",".join),
    ),
    st.builds("FREQ=MONTHLY;BYMONTHDAY={}".format, st.sampled_from([1, 15, 31, -1])),
    st.builds(
        "FREQ=MONTHLY;BYDAY={}{}".format, st.sampled_from([1, 2, -1]), st.sampled_from(["MO", "FR"])
    ),
    st.builds("FREQ=WEEKLY;UNTIL={}T000000Z".format, st.sampled_from(["20260420", "20260515"])),
)


@given(RULES, st.dates(date(2025, 12, 1), date(2026, 4, 1)), st.integers(8, 20), st.integers(0, 3))
def test_series_agree_with_dateutil(tmp_path_factory, rule, day, hour, left_out):
    first = datetime(day.year, day.month, day.day, hour, tzinfo=CENTRAL)
    oracle = rrulestr(rule, dtstart=first).between(
        WINDOW.start - timedelta(hours=1), WINDOW.end, inc=True
    )
    # The first start always counts (RFC 5545 3.8.5.3), also where the rule would not give it.
    expected = {moment.astimezone(UTC) for moment in [first, *oracle]}
    expected = {moment for moment in expected if WINDOW.start <= moment < WINDOW.end}
    gone = sorted(expected)[left_out : left_out + 1]
    raw = calendar(
        event(
            f"DTSTART;TZID=America/Chicago:{first:%Y%m%dT%H%M%S}",
            "DURATION:PT45M",
            f"RRULE:{rule}",
            *[f"EXDATE:{moment:%Y%m%dT%H%M%SZ}" for moment in gone],
            *WHO,
        )
    )
    _, rows = visits(tmp_path_factory.mktemp("ics"), raw)
    assert starts(rows) == sorted(expected - set(gone))
    assert len({row.value.external_id for row in rows}) == len(rows)


def test_a_changed_instance_keeps_its_id_and_has_its_own_line(tmp_path):
    moved = event(
        "RECURRENCE-ID;TZID=America/Chicago:20260324T100000",
        "DTSTART;TZID=America/Chicago:20260325T140000", "DURATION:PT30M", *WHO,
    )  # fmt: skip
    before = visits(tmp_path, calendar(event(*WEEKLY)))[1]
    _, after = visits(tmp_path, calendar(event(*WEEKLY), moved))
    assert {r.value.external_id for r in before} == {r.value.external_id for r in after}
    (changed,) = [r for r in after if r.value.external_id.endswith("/20260324T150000Z")]
    assert (changed.value.starts_at, changed.line > after[0].line) == (at(2026, 3, 25, 19), True)


def test_left_out_and_called_off_instances(tmp_path):
    series = event(*WEEKLY, "EXDATE;TZID=America/Chicago:20260317T100000")
    off = event("RECURRENCE-ID:20260324T150000Z", *HOUR, "STATUS:CANCELLED", *WHO)
    source, rows = visits(tmp_path, calendar(series, off))
    kinds = [type(row.value) for row in rows]
    assert (kinds.count(VisitRow), kinds.count(CancelledVisit)) == (4, 1)
    assert source.passed_over["cancelled visits"] == 1
    gone = next(row.value for row in rows if isinstance(row.value, CancelledVisit))
    assert gone.external_id == "one@example.com/20260324T150000Z"


def test_a_change_for_this_and_all_later_ones_leaves_each_its_own_id(tmp_path):
    later = event(
        "RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=America/Chicago:20260324T100000",
        "DTSTART;TZID=America/Chicago:20260324T113000", "DURATION:PT1H", *WHO,
    )  # fmt: skip
    _, rows = visits(tmp_path, calendar(event(*WEEKLY), later))
    assert [s.astimezone(CENTRAL).strftime("%H:%M") for s in starts(rows)] == ["10:00"] * 2 + [
        "11:30"
    ] * 4
    ids = [row.value.external_id for row in rows]
    assert ids == [row.value.external_id for row in visits(tmp_path, calendar(event(*WEEKLY)))[1]]


def test_extra_dates_and_a_changed_instance_whose_series_is_not_there(tmp_path):
    extra = event(*HOUR, *WHO, "RDATE;TZID=America/Chicago:20260312T100000,20260313T090000")
    assert len(starts(visits(tmp_path, calendar(extra))[1])) == 3
    alone = event("RECURRENCE-ID:20260324T150000Z", *HOUR, *WHO)
    assert (
        only(visits(tmp_path, calendar(alone))[1]).external_id == "one@example.com/20260324T150000Z"
    )


def test_only_the_window_is_read_and_a_series_without_end_stops_there(tmp_path):
    endless = event(*HOUR, *WHO, "RRULE:FREQ=DAILY", uid="endless")
    early = event("DTSTART:20250310T150000Z", "DURATION:PT1H", *WHO, uid="early")
    source, rows = visits(tmp_path, calendar(endless, early))
    assert len(rows) == (date(2026, 7, 1) - date(2026, 3, 10)).days
    assert source.passed_over["events outside the window"] == 1
    assert max(starts(rows)) < WINDOW.end


@pytest.mark.parametrize(
    "rule",
    ["FREQ=HOURLY", "FREQ=SECONDLY", "FREQ=DAILY;BYHOUR=9,11", "FREQ=DAILY;INTERVAL=0",
     "FREQ=WEEKLY;COUNT=-1", "NONSENSE"],
)  # fmt: skip
def test_rules_that_no_visit_has_are_errors_and_end(tmp_path, rule):
    _, rows = visits(
        tmp_path, calendar(event(*HOUR, *WHO, f"RRULE:{rule}"), event(*HOUR, *WHO, uid="b"))
    )
    assert codes(rows) == ["rule-unreadable"]
    assert rows[1].errors == ()


@pytest.mark.parametrize(
    ("lines", "code"),
    [
        (("SUMMARY:x",), "start-missing"),
        (("DTSTART:2026031T100000", "DURATION:PT1H"), "time-unreadable"),
        (("DTSTART:20260310T100000Z", "DTEND:later"), "time-unreadable"),
        (("DTSTART:20260310T100000Z", "DURATION:long"), "time-unreadable"),
        ((*HOUR, "RRULE:FREQ=WEEKLY", "EXDATE:tomorrow"), "time-unreadable"),
        ((*HOUR, "RRULE:FREQ=WEEKLY;UNTIL=soon"), "time-unreadable"),
        (("DTSTART:20260310T100000Z",), "length-missing"),
        (("DTSTART:20260310T100000Z", "DTEND:20260310T100000Z"), "length-missing"),
        (("DTSTART:20260310T100000Z", "DTEND:20260310T090000Z"), "length-missing"),
        (("DTSTART:20260310T100000Z", "DTEND:20260312T100000Z"), "too-long"),
        (("DTSTART;TZID=Shop clock:20260310T100000", "DURATION:PT1H"), "zone-unknown"),
        (("DTSTART:20260310T100000Z", "DTEND;TZID=Shop clock:20260310T110000"), "zone-unknown"),
    ],
)
def test_times_that_cannot_be_read_are_errors_and_the_next_event_is_fine(tmp_path, lines, code):
    _, rows = visits(tmp_path, calendar(event(*lines), event(*HOUR, *WHO, uid="b")))
    assert codes(rows) == [code]
    assert (rows[0].number, rows[0].line, rows[1].value.external_id) == (1, 4, "b")


def test_whole_days_are_passed_over_and_counted(tmp_path):
    closed = event("DTSTART;VALUE=DATE:20260310", "SUMMARY:Closed", uid="closed")
    yearly = event("DTSTART;VALUE=DATE:20200704", "RRULE:FREQ=YEARLY", uid="holiday")
    source, rows = visits(tmp_path, calendar(closed, yearly, event(*HOUR, *WHO)))
    assert len(rows) == 1
    assert source.passed_over == {"whole-day entries": 2}


def test_one_uid_several_times_means_the_newest(tmp_path):
    old = event(*HOUR, *WHO, "SEQUENCE:1")
    new = event("DTSTART:20260310T170000Z", "DURATION:PT1H", *WHO, "SEQUENCE:2")
    _, rows = visits(tmp_path, calendar(new, old))
    assert starts(rows) == [at(2026, 3, 10, 17)]
    assert rows[0].notes[0].startswith("uid-repeated")
    assert len(visits(tmp_path, calendar(old, old))[1]) == 1


def test_one_uid_for_two_different_events_is_an_error(tmp_path):
    other = event("DTSTART:20260311T170000Z", "DURATION:PT1H", *WHO)
    _, rows = visits(tmp_path, calendar(event(*HOUR, *WHO), other))
    assert codes(rows) == ["uid-twice"]


def test_without_a_uid_the_content_stands_in_for_it(tmp_path):
    bare = event(*HOUR, *WHO).replace("UID:one@example.com\r\n", "")
    later = bare.replace("T10", "T12").replace("T11", "T13")
    _, rows = visits(tmp_path, calendar(bare, later))
    again = visits(tmp_path, calendar(bare, later))[1]
    ids = [row.value.external_id for row in rows]
    assert len(set(ids)) == 2
    assert ids == [row.value.external_id for row in again]


def test_cancelled_events_and_cancelled_calendars(tmp_path):
    off = event(*HOUR, "STATUS:CANCELLED", "SUMMARY:whatever")
    assert isinstance(only(visits(tmp_path, calendar(off))[1]), CancelledVisit)
    source, rows = visits(tmp_path, calendar("METHOD:CANCEL", event(*HOUR, *WHO)))
    assert isinstance(only(rows), CancelledVisit)
    assert any("called off" in s for s in source.report.decisions)


def test_what_has_ended_holds_no_claims(tmp_path):
    raw = calendar(
        event("DTSTART:20260304T133000Z", "DTEND:20260304T150000Z", *WHO, uid="over"),
        event("DTSTART:20260304T143000Z", "DTEND:20260304T153000Z", *WHO, uid="now"),
    )
    _, rows = visits(tmp_path, raw, now=NOW)
    assert [(r.value.external_id, r.value.holds_claims) for r in rows] == [
        ("over", False),
        ("now", True),
    ]


def test_reading_goes_on_after_any_number_with_the_same_rows(tmp_path):
    parts = [
        event(*WEEKLY, uid="series"),
        event("SUMMARY:x", uid="bad"),
        event(*HOUR, *WHO, uid="last"),
    ]
    source, rows = visits(tmp_path, calendar(*parts), place=CHICAGO)
    assert [row.number for row in rows] == [1] * 6 + [2, 3]
    for after in (0, 1, 2, 3):
        assert list(source.rows(after=after)) == [row for row in rows if row.number > after]
