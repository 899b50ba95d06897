"""Weekly shifts on a wall clock: as instants, together, and against each other."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from dateutil import rrule
from dateutil.tz import gettz
from hypothesis import given, settings
from hypothesis import strategies as st

from services.rules.shifts import Weekly, covers, first_clash
from spa_ops.kernel.intervals import Period

CHICAGO, NEW_YORK, CHATHAM = "America/Chicago", "America/New_York", "Pacific/Chatham"
ZONES = [CHICAGO, NEW_YORK, CHATHAM, "Pacific/Honolulu", "Europe/Berlin"]


def shift(
    weekday=2, starts=time(9), ends=time(17), since=date(2026, 1, 1), until=None, zone=CHICAGO
):
    return Weekly(
        weekday=weekday, starts=starts, ends=ends, valid_from=since, valid_until=until, zone=zone
    )


def at(day, hour, minute=0):
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC)


def test_a_shift_is_there_on_its_weekday_from_its_first_day_up_to_its_end():
    some = shift(since=date(2026, 5, 6), until=date(2026, 5, 20))
    assert some.on(date(2026, 5, 6)) == Period(at(6, 14), at(6, 22))
    assert some.on(date(2026, 5, 7)) is None
    assert some.on(date(2026, 4, 29)) is None
    assert some.on(date(2026, 5, 13)) is not None
    assert some.on(date(2026, 5, 20)) is None


def test_a_shift_past_midnight_ends_the_next_day_and_still_runs_then():
    late = shift(starts=time(18), ends=time(2))
    assert late.on(date(2026, 5, 6)) == Period(at(6, 23), at(7, 7))
    assert covers([late], Period(at(7, 5), at(7, 7)))
    assert not covers([late], Period(at(7, 5), at(7, 8)))


# The clocks of Chicago go forward on 8 March 2026 at 02:00 and back on 1 November at 02:00
# (15 U.S.C. 260a: second Sunday of March, first Sunday of November).
@pytest.mark.parametrize(
    ("day", "hours"),
    [(date(2026, 3, 1), 8), (date(2026, 3, 8), 7), (date(2026, 11, 1), 9), (date(2026, 11, 8), 8)],
)
def test_a_night_on_which_clocks_change_is_an_hour_shorter_or_longer(day, hours):
    night = shift(weekday=6, starts=time(0, 30), ends=time(8, 30)).on(day)
    assert night.minutes == hours * 60


@settings(deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    weekday=st.integers(0, 6),
    starts=st.times(time(4), time(20)),
    day=st.dates(date(2026, 1, 1), date(2027, 12, 31)),
)
def test_the_instants_are_those_of_a_calendar_library(zone, weekday, starts, day):
    # Oracle: dateutil's recurrence rule (RFC 5545) with its own time zone data.
    starts = starts.replace(second=0, microsecond=0)
    some = shift(weekday=weekday, starts=starts, ends=time(23), zone=zone)
    rule = rrule.rrule(
        rrule.WEEKLY, byweekday=weekday, dtstart=datetime.combine(day, starts), count=1
    )
    expected = rule[0].replace(tzinfo=gettz(zone)).astimezone(UTC)
    assert some.on(rule[0].date()).start == expected


def test_two_shifts_cover_together_what_neither_covers_alone():
    morning, evening = shift(ends=time(13)), shift(starts=time(13), ends=time(19))
    whole = Period(at(6, 14), at(7, 0))
    assert covers([evening, morning], whole)
    assert not covers([morning], whole)
    gap = shift(starts=time(13, 1), ends=time(19))
    assert not covers([morning, gap], whole)
    assert not covers([], whole)


@settings(deadline=None)
@given(st.data())
def test_coverage_is_that_of_every_minute(data):
    wall = st.builds(time, st.integers(0, 23), st.sampled_from([0, 30]))
    shifts = data.draw(
        st.lists(
            st.builds(shift, weekday=st.integers(1, 3), starts=wall, ends=wall).filter(
                lambda s: s.starts != s.ends
            ),
            max_size=4,
        )
    )
    start = at(6, 0) + timedelta(minutes=30 * data.draw(st.integers(0, 60)))
    period = Period(start, start + timedelta(minutes=30 * data.draw(st.integers(1, 24))))
    minutes = range(0, period.minutes, 30)
    instants = [start + timedelta(minutes=m) for m in minutes]
    spans = [s.on(date(2026, 5, d)) for s in shifts for d in range(3, 10)]
    expected = all(any(p and p.start <= i < p.end for p in spans) for i in instants)
    assert covers(shifts, period) == expected


@pytest.mark.parametrize(
    ("other", "clash"),
    [
        ({"starts": time(16, 59), "ends": time(20)}, True),
        ({"starts": time(17), "ends": time(20)}, False),
        ({"weekday": 3}, False),
        ({"weekday": 1, "starts": time(20), "ends": time(9)}, False),
        ({"weekday": 1, "starts": time(20), "ends": time(9, 1)}, True),
        ({"until": date(2026, 1, 1)}, False),
        ({"since": date(2026, 6, 3), "until": date(2026, 6, 4)}, True),
        # The same wall time an hour away is the same hour only for a part of it.
        ({"zone": NEW_YORK, "starts": time(17), "ends": time(18)}, True),
        ({"zone": NEW_YORK, "starts": time(18), "ends": time(19)}, False),
        # Chatham is 17 h 45 min or more ahead: Thursday there begins on Wednesday here.
        ({"zone": CHATHAM, "weekday": 3, "starts": time(3), "ends": time(4)}, True),
        ({"zone": CHATHAM, "weekday": 2, "starts": time(9), "ends": time(17)}, False),
    ],
)
def test_a_person_is_in_one_place_at_a_time(other, clash):
    mine, theirs = shift(), shift(**other)
    assert (first_clash(mine, theirs) is not None) == clash
    assert (first_clash(theirs, mine) is not None) == clash


def test_shifts_that_touch_only_while_one_zone_has_changed_its_clocks_clash():
    # Berlin is 7 h ahead of Chicago, but 6 h from 8 to 29 March 2026.
    chicago = shift(starts=time(8), ends=time(12))
    berlin = shift(starts=time(12), ends=time(15), zone="Europe/Berlin")
    clash = first_clash(chicago, berlin)
    assert clash is not None
    assert date(2026, 3, 8) < clash.start.date() < date(2026, 3, 29)


SHIFTS = st.builds(
    shift,
    weekday=st.integers(0, 6),
    starts=st.builds(time, st.integers(0, 23)),
    ends=st.builds(time, st.integers(0, 23), st.just(30)),
    since=st.dates(date(2026, 1, 1), date(2026, 3, 1)),
    until=st.none() | st.dates(date(2026, 3, 2), date(2026, 12, 31)),
    zone=st.sampled_from(ZONES),
)


@settings(deadline=None)
@given(SHIFTS, SHIFTS)
def test_a_clash_is_found_whenever_two_spans_of_a_year_overlap(one, other):
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(380)]
    mine = [p for d in days if (p := one.on(d))]
    theirs = [p for d in days if (p := other.on(d))]
    overlap = any(a.overlaps(b) for a in mine for b in theirs)
    found = first_clash(one, other)
    assert (found is not None) >= overlap
    if found is not None:
        assert any(other.within(found))
