"""Weekly shifts on a wall clock: as instants, together, and against each other."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from dateutil import rrule
from dateutil.tz import gettz
from hypothesis import given, settings
from hypothesis import strategies as st

from services.rules.shifts import OneDay, Weekly, covers, first_clash
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import closing_on, is_open, open_periods

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


def pieces(some, start, end):
    return list(some.within(Period(start, end)))


def test_a_break_is_left_out_and_one_past_midnight_is_the_next_days():
    late = Weekly(
        weekday=2, starts=time(18), ends=time(2), valid_from=date(2026, 1, 1), valid_until=None,
        zone=CHICAGO, breaks=((time(21), time(21, 30)), (time(23, 45), time(0, 15)), (time(1), time(1, 5))),
    )  # fmt: skip
    # 18:00 on 6 May in Chicago is 23:00 UTC.
    assert pieces(late, at(6, 0), at(8, 0)) == [
        Period(at(6, 23), at(7, 2)), Period(at(7, 2, 30), at(7, 4, 45)),
        Period(at(7, 5, 15), at(7, 6)), Period(at(7, 6, 5), at(7, 7)),
    ]  # fmt: skip
    assert not covers([late], Period(at(7, 1), at(7, 3)))
    assert late.on(date(2026, 5, 6)).minutes == 480


@pytest.mark.parametrize(
    ("zone", "day", "walls", "worked"),
    [
        # America/Chicago, 8 March 2026: 02:00 becomes 03:00. A break in the hour that is skipped comes
        # to nothing if it ends with it, and is as long as ever if wall clocks show its end later.
        (CHICAGO, date(2026, 3, 8), (time(2, 15), time(3)), [180]),
        (CHICAGO, date(2026, 3, 8), (time(1, 30), time(3, 30)), [90, 30]),
        # 1 November: 01:00 to 02:00 comes twice; a wall time means the first.
        (CHICAGO, date(2026, 11, 1), (time(1, 15), time(1, 45)), [75, 195]),
        # Pacific/Chatham (+12:45, +13:45 in summer): 27 September 2026, 02:45 becomes 03:45; 5 April,
        # 03:45 becomes 02:45 (IANA tzdata).
        (CHATHAM, date(2026, 9, 27), (time(2), time(2, 30)), [120, 30]),
        (CHATHAM, date(2026, 4, 5), (time(2), time(2, 30)), [120, 150]),
        ("Asia/Kathmandu", date(2026, 5, 3), (time(2), time(2, 30)), [120, 90]),
    ],
)
def test_breaks_on_days_of_changing_clocks(zone, day, walls, worked):
    night = Weekly(
        weekday=6, starts=time(0), ends=time(4), valid_from=date(2026, 1, 1), valid_until=None,
        zone=zone, breaks=(walls,),
    )  # fmt: skip
    whole = night.on(day)
    assert [p.minutes for p in pieces(night, whole.start, whole.end)] == worked


@settings(deadline=None)
@given(
    zone=st.sampled_from([*ZONES, "Asia/Kathmandu"]),
    day=st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    starts=st.times(), length=st.integers(30, 1440),
    first=st.integers(0, 1400), rest=st.integers(1, 200),
)  # fmt: skip
def test_work_and_breaks_together_are_the_shift_and_never_overlap(
    zone, day, starts, length, first, rest
):
    starts = starts.replace(second=0, microsecond=0, fold=0)
    first %= length

    def wall(minutes):
        found = datetime.combine(date(2000, 1, 1), starts) + timedelta(minutes=minutes)
        return found.time()

    ends, pause = wall(length), (wall(first), wall(min(first + rest, length)))
    if ends == starts:
        return
    some = Weekly(
        weekday=day.weekday(), starts=starts, ends=ends, valid_from=day, valid_until=None,
        zone=zone, breaks=(pause,),
    )  # fmt: skip
    whole = some.on(day)
    if whole is None:
        return  # the shift lies in the hour that clocks skip, and is none
    found = pieces(some, whole.start, whole.end)
    assert all(whole.contains(p) for p in found)
    assert all(a.end <= b.start for a, b in zip(found, found[1:], strict=False))
    # Minute by minute, by what a clock on the wall shows: at work exactly outside of the break, but
    # for the hour that a wall clock shows twice, of which the first counts.
    away = sum(p.minutes for p in found)
    assert whole.minutes - away <= rest + 60


def test_a_day_worked_otherwise_replaces_the_week_and_29_february_is_a_day_like_any():
    leap = date(2028, 2, 29)
    every = Weekly(
        weekday=leap.weekday(), starts=time(9), ends=time(17), valid_from=date(2028, 2, 1),
        valid_until=None, zone=CHICAGO, not_on=frozenset({leap}),
    )  # fmt: skip
    assert every.on(leap) is None and every.on(leap + timedelta(days=7)) is not None
    assert every.on(leap - timedelta(days=7)) is not None
    other = OneDay(day=leap, spans=((time(22), time(2)), (time(6), time(7))), zone=CHICAGO)
    assert [p.minutes for p in other.periods] == [60, 240]
    night = other.periods[1]
    assert covers([every, other], night) and night.end.date() == date(2028, 3, 1)
    assert first_clash(replace(every, not_on=frozenset()), replace(every, not_on=frozenset(), starts=time(16)))  # fmt: skip


def test_what_lies_wholly_in_the_hour_that_clocks_skip_is_no_work_and_no_error():
    # America/Chicago, 8 March 2026: 02:15 is shown as 03:15, which is after 03:00.
    day = date(2026, 3, 8)
    none = shift(weekday=6, starts=time(2, 15), ends=time(3))
    assert none.on(day) is None and none.on(day + timedelta(days=7)).minutes == 45
    assert OneDay(day=day, spans=((time(2, 15), time(3)),), zone=CHICAGO).periods == []
    hours = {"sun": [["02:15", "03:00"], ["10:00", "12:00"]]}
    assert [p.minutes for p in open_periods(hours, CHICAGO, day)] == [120]
    assert closing_on(hours, CHICAGO, day) == datetime(2026, 3, 8, 17, tzinfo=UTC)
    assert not is_open({"sun": hours["sun"][:1]}, CHICAGO, datetime(2026, 3, 8, 8, 5, tzinfo=UTC))
