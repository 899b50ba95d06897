"""Rules of RFC 5545, 3.3.10, spread out in wall time: against two libraries of calendars."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
import recurring_ical_events
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from services.rules.recurrence import (
    MOST_DAYS,
    MOST_OCCURRENCES,
    Occurrence,
    WallTime,
    occurrences,
    skipped_months,
)
from spa_ops.kernel.problems import InvalidInput

CHICAGO, CHATHAM = "America/Chicago", "Pacific/Chatham"


def at(zone: str, *wall: int) -> datetime:
    return datetime(*wall, tzinfo=ZoneInfo(zone)).astimezone(UTC)  # type: ignore[arg-type]


def local(found: list[Occurrence], zone: str) -> list[str]:
    return [f"{o.starts_at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}" for o in found]


def by_calendar(rule: str, first: datetime, zone: str) -> list[datetime]:
    """What a calendar program would show, by the library recurring_ical_events (RFC 5545, 3.3.10)."""
    event = icalendar.Event()
    event.add("uid", "invented")
    event.add("dtstart", first.astimezone(ZoneInfo(zone)))
    event.add("duration", timedelta(minutes=30))
    event.add("rrule", icalendar.vRecur.from_ical(rule))
    calendar = icalendar.Calendar()
    calendar.add_component(event)
    shown = recurring_ical_events.of(calendar).between(
        first - timedelta(days=1), first + timedelta(days=MOST_DAYS + 5)
    )
    return sorted(e["DTSTART"].dt.astimezone(UTC) for e in shown)


@pytest.mark.parametrize(
    ("rule", "first", "expected"),
    [
        # Examples after those of RFC 5545, 3.8.5.3, on other days.
        ("FREQ=WEEKLY;INTERVAL=4;COUNT=3", (2026, 5, 6, 13),
         ["2026-05-06 13:00", "2026-06-03 13:00", "2026-07-01 13:00"]),
        ("FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,WE;COUNT=4", (2026, 5, 6, 9),
         ["2026-05-06 09:00", "2026-05-18 09:00", "2026-05-20 09:00", "2026-06-01 09:00"]),
        ("FREQ=MONTHLY;BYDAY=1WE;COUNT=3", (2026, 5, 6, 9),
         ["2026-05-06 09:00", "2026-06-03 09:00", "2026-07-01 09:00"]),
        ("FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1;COUNT=3", (2026, 5, 29, 9),
         ["2026-05-29 09:00", "2026-06-30 09:00", "2026-07-31 09:00"]),
        # A day that a month does not have is left out and not counted.
        ("FREQ=MONTHLY;COUNT=4", (2026, 5, 31, 9),
         ["2026-05-31 09:00", "2026-07-31 09:00", "2026-08-31 09:00", "2026-10-31 09:00"]),
        ("FREQ=MONTHLY;BYMONTHDAY=-1;COUNT=3", (2027, 12, 31, 9),
         ["2027-12-31 09:00", "2028-01-31 09:00", "2028-02-29 09:00"]),
        ("FREQ=MONTHLY;BYMONTHDAY=29;UNTIL=20280401T000000Z", (2028, 1, 29, 9),
         ["2028-01-29 09:00", "2028-02-29 09:00", "2028-03-29 09:00"]),
        ("FREQ=MONTHLY;BYMONTHDAY=29;UNTIL=20270401T000000Z", (2027, 1, 29, 9),
         ["2027-01-29 09:00", "2027-03-29 09:00"]),
        # The wall time stays over both changes of the clocks (8 March and 1 November 2026).
        ("FREQ=WEEKLY;COUNT=2", (2026, 3, 4, 13), ["2026-03-04 13:00", "2026-03-11 13:00"]),
        ("FREQ=WEEKLY;COUNT=2", (2026, 10, 28, 13), ["2026-10-28 13:00", "2026-11-04 13:00"]),
        # UNTIL is included, to the second.
        ("FREQ=DAILY;UNTIL=20260508T180000Z", (2026, 5, 6, 13),
         ["2026-05-06 13:00", "2026-05-07 13:00", "2026-05-08 13:00"]),
        ("FREQ=DAILY;UNTIL=20260508T175959Z", (2026, 5, 6, 13),
         ["2026-05-06 13:00", "2026-05-07 13:00"]),
    ],
)  # fmt: skip
def test_a_rule_gives_these_starts_and_a_calendar_shows_the_same(rule, first, expected):
    start = at(CHICAGO, *first)
    found = occurrences(rule, start, CHICAGO)
    assert local(found, CHICAGO) == expected
    assert [o.starts_at for o in found] == by_calendar(rule, start, CHICAGO)
    assert {o.wall_time for o in found} == {WallTime.ONCE}


def test_a_time_that_the_clocks_skip_or_show_twice_gets_the_kernels_answer():
    skipped = occurrences("FREQ=DAILY;COUNT=3", at(CHICAGO, 2026, 3, 7, 2, 30), CHICAGO)
    assert local(skipped, CHICAGO) == ["2026-03-07 02:30", "2026-03-08 03:30", "2026-03-09 02:30"]
    assert [o.wall_time for o in skipped] == ["once", "skipped", "once"]
    twice = occurrences("FREQ=DAILY;COUNT=3", at(CHICAGO, 2026, 10, 31, 1, 30), CHICAGO)
    assert [o.wall_time for o in twice] == ["once", "twice", "once"]
    assert twice[1].starts_at == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)  # the first of the two
    # An offset of 12:45 in winter and 13:45 in summer: the clocks go back at 03:45 on 5 April 2026.
    chatham = occurrences("FREQ=DAILY;COUNT=3", at(CHATHAM, 2026, 4, 4, 3, 0), CHATHAM)
    assert [o.wall_time for o in chatham] == ["once", "twice", "once"]
    assert local(chatham, CHATHAM) == ["2026-04-04 03:00", "2026-04-05 03:00", "2026-04-06 03:00"]
    with pytest.raises(InvalidInput, match="exists twice"):
        occurrences("FREQ=DAILY;COUNT=2", datetime(2026, 11, 1, 7, 30, tzinfo=UTC), CHICAGO)


STARTS = st.datetimes(datetime(2026, 1, 1), datetime(2029, 12, 31)).map(
    lambda d: d.replace(hour=8 + d.hour % 12, minute=d.minute // 5 * 5, second=0, microsecond=0)
)
DAYS = st.lists(
    st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA", "SU"]), min_size=1, max_size=4, unique=True
)
RULES = st.one_of(
    st.builds(lambda n: f"FREQ=DAILY;INTERVAL={n}", st.integers(1, 15)),
    st.builds(
        lambda n, d: f"FREQ=WEEKLY;INTERVAL={n};BYDAY={','.join(d)}", st.integers(1, 5), DAYS
    ),
    st.builds(lambda n: f"FREQ=WEEKLY;INTERVAL={n}", st.integers(1, 8)),
    st.builds(
        lambda n, d: f"FREQ=MONTHLY;INTERVAL={n};BYMONTHDAY={d}",
        st.integers(1, 3),
        st.sampled_from([1, 15, 28, 29, 30, 31, -1, -2]),
    ),
    st.builds(
        lambda p, d: f"FREQ=MONTHLY;BYDAY={p}{d}", st.sampled_from([1, 2, 4, 5, -1]), st.sampled_from(["MO", "SA"])
    ),
    st.builds(
        lambda d, p: f"FREQ=MONTHLY;BYDAY={','.join(d)};BYSETPOS={p}", DAYS, st.sampled_from([1, 2, -1])
    ),
)  # fmt: skip


@given(rule=RULES, wall=STARTS, count=st.integers(1, 12), zone=st.sampled_from([CHICAGO, CHATHAM]))
def test_every_rule_gives_what_calendars_show(rule, wall, count, zone):
    """RFC 5545, 3.3.10, by dateutil.rrule and by recurring_ical_events; in hours that no clock skips."""
    walls = list(rrulestr(f"{rule};COUNT={count}", dtstart=wall))
    first = walls[0]
    walls = list(rrulestr(f"{rule};COUNT={count}", dtstart=first))
    start = first.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    if walls[-1] > first + timedelta(days=MOST_DAYS):
        with pytest.raises(InvalidInput, match="COUNT leads further"):
            occurrences(f"{rule};COUNT={count}", start, zone)
        return
    found = occurrences(f"{rule};COUNT={count}", start, zone)
    expected = [w.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) for w in walls]
    assert [o.starts_at for o in found] == expected
    assert [o.on for o in found] == [w.date() for w in walls]
    assert by_calendar(f"{rule};COUNT={count}", start, zone) == expected
    until = f"{rule};UNTIL={expected[-1]:%Y%m%dT%H%M%SZ}"
    assert [o.starts_at for o in occurrences(until, start, zone)] == expected


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ("FREQ=YEARLY;COUNT=2", "FREQ must be one of"),
        ("FREQ=HOURLY;COUNT=2", "FREQ must be one of"),
        ("COUNT=2", "FREQ must be one of"),
        ("FREQ=WEEKLY;BYHOUR=9;COUNT=2", "BYHOUR is not known here"),
        ("FREQ=WEEKLY;WKST=SU;COUNT=2", "WKST is not known here"),
        ("FREQ=MONTHLY;BYWEEKNO=2;COUNT=2", "BYWEEKNO is not known here"),
        ("FREQ=WEEKLY", "either COUNT or UNTIL"),
        ("FREQ=WEEKLY;COUNT=2;UNTIL=20260601T000000Z", "either COUNT or UNTIL"),
        ("FREQ=WEEKLY;COUNT=2;COUNT=3", "COUNT stands twice"),
        ("FREQ=WEEKLY;COUNT=0", "COUNT must be 1 to 26"),
        (f"FREQ=WEEKLY;COUNT={MOST_OCCURRENCES + 1}", "COUNT must be 1 to 26"),
        ("FREQ=WEEKLY;COUNT=two", "COUNT must be 1 to 26"),
        ("FREQ=WEEKLY;COUNT=٣", "COUNT must be 1 to 26"),
        ("FREQ=WEEKLY;INTERVAL=0;COUNT=2", "INTERVAL must be 1 to 400"),
        ("FREQ=DAILY;UNTIL=20260801T000000Z", "UNTIL gives more than 26 visits"),
        ("FREQ=MONTHLY;UNTIL=20280801T000000Z", "UNTIL must be within 400 days"),
        ("FREQ=MONTHLY;INTERVAL=8;COUNT=3", "COUNT leads further ahead than 400 days"),
        ("FREQ=WEEKLY;UNTIL=20260801", "UNTIL must be an instant in UTC"),
        ("FREQ=WEEKLY;UNTIL=20260801T000000", "UNTIL must be an instant in UTC"),
        ("FREQ=WEEKLY;UNTIL=20261301T000000Z", "UNTIL must be an instant in UTC"),
        ("FREQ=WEEKLY;BYDAY=2WE;COUNT=2", "BYDAY has a number"),
        ("FREQ=MONTHLY;BYDAY=XX;COUNT=2", "BYDAY must be days"),
        ("FREQ=MONTHLY;BYDAY=6WE;COUNT=2", "BYDAY must be days"),
        ("FREQ=WEEKLY;BYMONTHDAY=6;COUNT=2", "BYMONTHDAY does not go with FREQ=WEEKLY"),
        ("FREQ=MONTHLY;BYMONTHDAY=32;COUNT=2", "BYMONTHDAY must be 1 to 31"),
        ("FREQ=MONTHLY;BYSETPOS=1;COUNT=2", "BYSETPOS needs BYDAY"),
        ("FREQ=WEEKLY;BYDAY=MO;COUNT=2", "must itself be a time that the rule gives"),
        ("every 4 weeks", "must be parts such as"),
        ("", "must be parts such as"),
        ("FREQ=WEEKLY;COUNT=2;", "must be parts such as"),
    ],
)
def test_what_is_no_rule_here_is_refused_by_name(rule, says):
    with pytest.raises(InvalidInput) as refused:
        occurrences(rule, at(CHICAGO, 2026, 5, 6, 13), CHICAGO)
    assert says in refused.value.detail


@pytest.mark.parametrize("start", [at(CHICAGO, 2026, 5, 6, 13, 0, 30), datetime(9998, 5, 6, tzinfo=UTC), datetime(1, 1, 2, tzinfo=UTC)])  # fmt: skip
def test_a_start_that_no_visit_has_is_refused(start):
    with pytest.raises(InvalidInput):
        occurrences("FREQ=DAILY;COUNT=2", start, CHICAGO)


@given(text=st.text(max_size=60) | st.from_regex(r"FREQ=(DAILY|MONTHLY|WEEKLY)(;[A-Z]{2,10}=[0-9A-Z,+-]{1,9}){0,4}", fullmatch=True))  # fmt: skip
def test_whatever_is_sent_is_a_rule_or_refused(text):
    start = at(CHICAGO, 2026, 5, 6, 13)
    try:
        found = occurrences(text, start, CHICAGO)
    except InvalidInput:
        return
    assert 1 <= len(found) <= MOST_OCCURRENCES
    assert found[0].starts_at == start
    assert found[-1].on <= date(2026, 5, 6) + timedelta(days=MOST_DAYS)


@pytest.mark.parametrize(
    ("rule", "first", "skipped"),
    [
        ("FREQ=MONTHLY;COUNT=4", "2026-01-31T18:00", ["2026-02", "2026-04", "2026-06"]),
        ("FREQ=MONTHLY;COUNT=4;BYMONTHDAY=30", "2027-12-30T18:00", ["2028-02"]),
        ("FREQ=MONTHLY;COUNT=3;BYMONTHDAY=29", "2027-12-29T18:00", []),  # 2028 is a leap year
        ("FREQ=MONTHLY;COUNT=3;BYMONTHDAY=-1", "2026-01-31T18:00", []),
        ("FREQ=MONTHLY;INTERVAL=2;COUNT=3;BYDAY=5FR", "2026-01-30T18:00", ["2026-03"]),
        ("FREQ=MONTHLY;UNTIL=20260301T060000Z", "2026-01-31T18:00", ["2026-02"]),
        ("FREQ=MONTHLY;UNTIL=20260227T180000Z", "2026-01-31T18:00", []),
        ("FREQ=WEEKLY;COUNT=9", "2026-01-31T18:00", []),
    ],
)
def test_a_month_without_such_a_day_is_named(rule, first, skipped):
    at = datetime.fromisoformat(first).replace(tzinfo=UTC)
    found = skipped_months(rule, at, "America/Chicago")
    assert [f"{month:%Y-%m}" for month in found] == skipped
