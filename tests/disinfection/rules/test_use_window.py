"""Use windows: the strictest limit binds, and "daily" ends at the local closing."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.rules.use_window import (
    FALLBACK,
    SOLUTION_MOVES,
    Ending,
    EndReason,
    LimitKind,
    Origin,
    SolutionState,
    UseLimit,
    closing_of_day,
    discard_at,
    end_of_business_day,
    ending,
    house_limit,
    is_usable,
    limits_from,
    sooner,
)
from spa_ops.kernel.intervals import at_local, local_period

CHICAGO, NEW_YORK, CHATHAM = "America/Chicago", "America/New_York", "Pacific/Chatham"


def limit(kind, amount=None, origin=Origin.LABEL):
    return UseLimit(kind=kind, amount=amount, origin=origin)


TEXAS = limits_from(
    [{"kind": "at_closing", "citation": "16 TAC 83.101(a)(3)"}], Origin.JURISDICTION
)
CALIFORNIA = limits_from(
    [{"kind": "days", "amount": 7, "citation": "16 CCR 979 (older text)"}], Origin.JURISDICTION
)


def mixed(day, hour, minute=0, zone=CHICAGO):
    return at_local(day, time(hour, minute), zone)


MONDAY = date(2026, 3, 2)


@pytest.mark.parametrize(
    ("limits", "ends", "bound_by"),
    [
        # 1.09, 16 TAC 83.101(a)(3): fresh daily, so it ends at closing and not 24 h later
        (TEXAS, mixed(MONDAY, 19), LimitKind.AT_CLOSING),
        # 1.07, 16 CCR 979 (older text): at least weekly
        (CALIFORNIA, mixed(date(2026, 3, 9), 9, 30, CHICAGO), LimitKind.DAYS),
        # 1.13, US EPA DIS/TSS-15 item 7: the label states how long; the shorter of two wins
        ((*TEXAS, limit(LimitKind.HOURS, 4)), mixed(MONDAY, 13, 30), LimitKind.HOURS),
        ((*CALIFORNIA, limit(LimitKind.DAYS, 14)), mixed(date(2026, 3, 9), 9, 30), LimitKind.DAYS),
        # 1.12, national-council model text: per label only; 4.07, US CDC: bleach up to 24 h
        ((limit(LimitKind.HOURS, 24),), mixed(date(2026, 3, 3), 9, 30), LimitKind.HOURS),
        # nothing with a time on file: house policy, until closing
        ((), mixed(MONDAY, 19), LimitKind.AT_CLOSING),
        ((limit(LimitKind.USES, 10),), mixed(MONDAY, 19), LimitKind.AT_CLOSING),
    ],
)
def test_published_limits(limits, ends, bound_by):
    window = discard_at(
        mixed_at=mixed(MONDAY, 9, 30), limits=limits, closing_at=mixed(MONDAY, 19), zone=CHICAGO
    )
    assert (window.ends_at, window.bound_by.kind) == (ends, bound_by)


def test_every_limit_is_shown_soonest_first():
    house = limit(LimitKind.HOURS, 6, Origin.HOUSE)
    window = discard_at(
        mixed_at=mixed(MONDAY, 9),
        limits=(*CALIFORNIA, limit(LimitKind.HOURS, 24), house, limit(LimitKind.USES, 5)),
        closing_at=mixed(MONDAY, 19),
        zone=CHICAGO,
    )
    assert window.bound_by is house
    assert [d.limit.origin for d in window.dated] == [
        Origin.HOUSE,
        Origin.LABEL,
        Origin.JURISDICTION,
    ]
    assert window.uses_allowed == 5


@pytest.mark.parametrize(
    ("chosen", "kind", "amount"),
    [
        ("at_closing", LimitKind.AT_CLOSING, None), ("8 hours", LimitKind.HOURS, 8),
        ("20 uses", LimitKind.USES, 20),
    ],
)  # fmt: skip
def test_what_a_house_chose_is_a_limit_of_its_own(chosen, kind, amount):
    (found,) = house_limit(chosen)
    assert (found.kind, found.amount, found.origin) == (kind, amount, Origin.HOUSE)
    assert house_limit("") == ()


@pytest.mark.parametrize(
    ("at", "closing", "zone", "ends"),
    [
        # mixed after closing, or on a closed day: until that local midnight
        (mixed(MONDAY, 19, 30), mixed(MONDAY, 19), CHICAGO, "2026-03-03T06:00"),
        (mixed(MONDAY, 19), mixed(MONDAY, 19), CHICAGO, "2026-03-03T06:00"),
        (mixed(MONDAY, 9), None, CHICAGO, "2026-03-03T06:00"),
        # clocks go forward on 8 March and back on 1 November 2026 (IANA zone data)
        (mixed(date(2026, 3, 7), 20), None, NEW_YORK, "2026-03-08T05:00"),
        (mixed(date(2026, 11, 1), 8), mixed(date(2026, 11, 1), 19), CHICAGO, "2026-11-02T01:00"),
        # Chatham leaves summer time at 03:45 on 5 April 2026, 45 minutes off the hour
        (
            at_local(date(2026, 4, 5), time(1), CHATHAM),
            at_local(date(2026, 4, 5), time(17), CHATHAM),
            CHATHAM,
            "2026-04-05T04:15",
        ),
    ],
)
def test_a_day_ends_at_its_own_closing(at, closing, zone, ends):
    window = discard_at(mixed_at=at, limits=TEXAS, closing_at=closing, zone=zone)
    assert window.ends_at.isoformat().startswith(ends)


def test_the_closing_of_another_day_is_refused():
    with pytest.raises(ValueError, match="not the closing of that day"):
        end_of_business_day(mixed(MONDAY, 19), closing_at=mixed(date(2026, 3, 3), 19), zone=CHICAGO)
    with pytest.raises(ValueError, match="aware"):
        discard_at(
            mixed_at=datetime(2026, 3, 2, 9),
            limits=TEXAS,
            closing_at=None,
            zone=CHICAGO,
        )


def test_hours_are_elapsed_hours_over_a_clock_change():
    # clocks go forward in the night to 8 March 2026: 24 h later the wall shows 21:00
    evening = datetime(2026, 3, 7, 20, tzinfo=ZoneInfo(NEW_YORK))
    window = discard_at(
        mixed_at=evening, limits=[limit(LimitKind.HOURS, 24)], closing_at=None, zone=NEW_YORK
    )
    assert window.ends_at == at_local(date(2026, 3, 8), time(21), NEW_YORK)


def opening(*spans):
    """Every Monday to Saturday the same opening periods, closed on Sundays."""

    def open_on(day):
        if day.weekday() == 6:
            return []
        return [local_period(day, time(*opens), time(*closes), CHICAGO) for opens, closes in spans]

    return open_on


@pytest.mark.parametrize(
    ("spans", "at", "closing"),
    [
        ([((9,), (19,))], mixed(MONDAY, 9, 30), mixed(MONDAY, 19)),
        ([((9,), (19,))], mixed(MONDAY, 7), mixed(MONDAY, 19)),
        ([((9,), (19,))], mixed(MONDAY, 20), mixed(MONDAY, 19)),  # and not Tuesday's
        ([((9,), (19,))], mixed(date(2026, 3, 1), 12), None),  # a Sunday
        ([((9,), (12,)), ((14,), (19,))], mixed(MONDAY, 10), mixed(MONDAY, 19)),
        ([((12,), (1,))], mixed(date(2026, 3, 3), 0, 30), mixed(date(2026, 3, 3), 1)),
        # after closing at 01:00, 24 h before the next: not that day's trade
        ([((12,), (1,))], mixed(date(2026, 3, 3), 1), None),
    ],
)
def test_the_business_day_of_an_instant(spans, at, closing):
    assert closing_of_day(at, open_on=opening(*spans), zone=CHICAGO) == closing


closings = st.integers(1, 23).map(lambda h: mixed(MONDAY, 0) + timedelta(hours=h))


@given(
    st.lists(st.sampled_from([*TEXAS, *CALIFORNIA, limit(LimitKind.HOURS, 4)]), min_size=1),
    st.none() | closings,
    st.none() | closings,
    st.integers(0, 30),
    st.sampled_from([CHICAGO, NEW_YORK, CHATHAM]),
)
def test_another_closing_never_lengthens_a_window_nor_reaches_back(limits, was, then, later, zone):
    at = mixed(MONDAY, 0, 30)
    now = at + timedelta(hours=later)
    window = discard_at(mixed_at=at, limits=limits, closing_at=was, zone=CHICAGO)
    found = sooner(window.dated, mixed_at=at, closing_at=then, zone=zone, now=now)
    assert len(found) == len(window.dated)
    assert found[0].ends_at == min(one.ends_at for one in found) <= window.ends_at
    assert found[0].ends_at >= min(window.ends_at, now)
    fresh = discard_at(mixed_at=at, limits=limits, closing_at=then, zone=zone)
    assert found[0].ends_at == min(window.ends_at, max(fresh.ends_at, now))
    # Done again, or back to the old closing, changes nothing.
    for closing_at, there in ((then, zone), (was, CHICAGO)):
        assert (
            sooner(found, mixed_at=at, closing_at=closing_at, zone=there, now=now)[0].ends_at
            == found[0].ends_at
        )


def test_a_bath_is_ended_early_at_once():
    window = discard_at(
        mixed_at=mixed(MONDAY, 9), limits=TEXAS, closing_at=mixed(MONDAY, 19), zone=CHICAGO
    )
    cloudy = Ending(at=mixed(MONDAY, 11), reason=EndReason.CONTAMINATED)
    strip = Ending(at=mixed(MONDAY, 10), reason=EndReason.FAILED_STRIP)
    late = Ending(at=mixed(MONDAY, 20), reason=EndReason.EMPTIED)
    assert ending(window).reason is EndReason.WINDOW_OVER
    assert ending(window, [late]).at == mixed(MONDAY, 19)
    assert ending(window, [cloudy, strip]) == strip
    assert is_usable(window, at=mixed(MONDAY, 10, 30))
    assert not is_usable(window, at=mixed(MONDAY, 10, 30), early=[cloudy, strip])


def test_uses_run_out_and_the_window_is_half_open():
    window = discard_at(
        mixed_at=mixed(MONDAY, 9),
        limits=[*TEXAS, limit(LimitKind.USES, 3), limit(LimitKind.USES, 2)],
        closing_at=mixed(MONDAY, 19),
        zone=CHICAGO,
    )
    assert window.uses_allowed == 2
    assert is_usable(window, at=mixed(MONDAY, 9), uses_so_far=1)
    assert not is_usable(window, at=mixed(MONDAY, 9), uses_so_far=2)
    second = timedelta(seconds=1)
    assert not is_usable(window, at=mixed(MONDAY, 9) - second)
    assert is_usable(window, at=mixed(MONDAY, 19) - second)
    assert not is_usable(window, at=mixed(MONDAY, 19))


def test_nothing_brings_a_bath_back():
    assert SOLUTION_MOVES[SolutionState.ENDED] == frozenset()


@pytest.mark.parametrize(
    ("kind", "amount"),
    [("hours", None), ("hours", 0), ("days", -1), ("uses", None), ("at_closing", 1), ("weekly", 1)],
)
def test_a_limit_that_says_nothing_is_refused(kind, amount):
    with pytest.raises(ValueError):
        limits_from([{"kind": kind, "amount": amount}], Origin.LABEL)


zones = st.sampled_from([CHICAGO, NEW_YORK, CHATHAM, "UTC", "Europe/London", "America/Los_Angeles"])
instants = st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(UTC))
timed = st.one_of(
    st.builds(limit, st.just(LimitKind.HOURS), st.integers(1, 400), st.sampled_from(Origin)),
    st.builds(limit, st.just(LimitKind.DAYS), st.integers(1, 30), st.sampled_from(Origin)),
    st.builds(limit, st.just(LimitKind.AT_CLOSING), st.none(), st.sampled_from(Origin)),
)
limit_lists = st.lists(timed, max_size=5)


@given(instants, limit_lists, zones, st.integers(1, 86_399))
def test_the_strictest_binds_and_order_does_not_matter(at, limits, zone, open_for):
    closing = at + timedelta(seconds=open_for)
    window = discard_at(mixed_at=at, limits=limits, closing_at=closing, zone=zone)
    alone = [
        discard_at(mixed_at=at, limits=[one], closing_at=closing, zone=zone).ends_at
        for one in limits or [FALLBACK]
    ]
    assert window.ends_at == min(alone)
    assert window.ends_at > at
    again = discard_at(mixed_at=at, limits=limits[::-1], closing_at=closing, zone=zone)
    assert again.ends_at == window.ends_at


@given(instants, limit_lists, timed, zones, st.integers(1, 86_399))
def test_one_more_limit_never_lengthens(at, limits, extra, zone, open_for):
    closing = at + timedelta(seconds=open_for)
    before = discard_at(mixed_at=at, limits=limits or [FALLBACK], closing_at=closing, zone=zone)
    after = discard_at(
        mixed_at=at, limits=[*(limits or [FALLBACK]), extra], closing_at=closing, zone=zone
    )
    assert after.ends_at <= before.ends_at


@given(instants, zones)
def test_daily_without_opening_hours_ends_at_the_next_midnight(at, zone):
    ends = discard_at(mixed_at=at, limits=TEXAS, closing_at=None, zone=zone).ends_at
    # dateutil as oracle: an independent reading of the zone data
    wall = ends.astimezone(tz.gettz(zone))
    assert (wall.hour, wall.minute, wall.second) == (0, 0, 0)
    assert wall.date() - at.astimezone(tz.gettz(zone)).date() == timedelta(days=1)


@given(instants, zones, st.integers(1, 30))
def test_days_are_never_longer_than_24_hours_each(at, zone, days):
    window = discard_at(
        mixed_at=at, limits=[limit(LimitKind.DAYS, days)], closing_at=None, zone=zone
    )
    assert days * timedelta(hours=24) - timedelta(hours=1) <= window.ends_at - at
    assert window.ends_at - at <= days * timedelta(hours=24)
