"""Windows and vague dates, against dateutil's calendar arithmetic."""

from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given, settings
from hypothesis import strategies as st

from clients.rules.dates import (
    DateRange,
    Unit,
    Window,
    about_ago,
    at_least_as_long,
    exactly,
    in_latest_month_named,
    in_month,
    in_year,
    plus_months,
    unknown_future,
    unknown_past,
)
from tests.clients.rules.scenarios import TODAY, unhurried

days = st.dates(date(1900, 1, 1), date(2200, 12, 31))
windows = st.builds(Window, count=st.integers(1, 200), unit=st.sampled_from(Unit))


def by_dateutil(window):
    return relativedelta(**{window.unit.value: window.count})


@unhurried
@given(days, windows)
def test_windows_agree_with_dateutil_both_ways(day, window):
    assert window.after(day) == day + by_dateutil(window)
    assert window.before(day) == day - by_dateutil(window)


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2025, 8, 31), 6, date(2026, 2, 28)),
        (date(2023, 8, 31), 6, date(2024, 2, 29)),  # a leap year
        (date(2026, 8, 30), 6, date(2027, 2, 28)),
        (date(2026, 12, 31), 2, date(2027, 2, 28)),
        (date(2026, 3, 31), -1, date(2026, 2, 28)),
        (date(2026, 1, 15), 6, date(2026, 7, 15)),
    ],
)
def test_calendar_months_are_clamped_at_the_end_of_the_month(day, months, expected):
    assert plus_months(day, months) == expected == day + relativedelta(months=months)


@unhurried
@given(days, days, windows)
def test_a_later_event_never_ends_its_wait_earlier(one, other, window):
    # Clamping brings two days together but never swaps them; worst cases rest on it.
    first, second = sorted((one, other))
    assert window.after(first) <= window.after(second)
    assert window.before(first) <= window.before(second)


@unhurried
@given(windows)
def test_windows_stay_inside_the_calendar(window):
    # The first and last months there are can be reached, and none beyond.
    assert plus_months(date(1, 2, 28), -1) == date(1, 1, 28)
    assert plus_months(date(9999, 11, 30), 1) == date(9999, 12, 30)
    for day, months in ((date(1, 1, 1), -1), (date(9999, 12, 1), 1)):
        with pytest.raises(ValueError, match="calendar"):
            plus_months(day, months)
    assert window.after(date.max) == date.max
    assert window.before(date.min) == date.min


@settings(max_examples=25, deadline=None)
@given(windows, windows)
def test_one_window_is_as_long_as_another_only_if_it_is_on_every_day(one, other):
    cycle = [date(2023, 1, 1) + timedelta(days=n) for n in range(1461)]
    if at_least_as_long(one, other):
        assert all(one.after(day) >= other.after(day) for day in cycle)
    else:
        assert any(one.after(day) < other.after(day) for day in cycle)


def test_no_window_is_the_shortest():
    week = Window(count=1, unit=Unit.WEEKS)
    assert at_least_as_long(week, None)
    assert at_least_as_long(None, None)
    assert not at_least_as_long(None, week)
    assert at_least_as_long(week, Window(count=7, unit=Unit.DAYS))
    assert at_least_as_long(Window(count=7, unit=Unit.DAYS), week)


def test_what_people_say_becomes_an_earliest_and_a_latest_day():
    assert in_month(2024, 2) == DateRange(earliest=date(2024, 2, 1), latest=date(2024, 2, 29))
    assert in_year(2025) == DateRange(earliest=date(2025, 1, 1), latest=date(2025, 12, 31))
    assert in_latest_month_named(9, TODAY) == in_month(2025, 9)
    assert in_latest_month_named(7, TODAY) == in_month(2026, 7)
    assert in_latest_month_named(8, TODAY) == DateRange(earliest=date(2026, 8, 1), latest=TODAY)
    assert unknown_past(TODAY) == DateRange(earliest=date.min, latest=TODAY)
    assert unknown_future(TODAY) == DateRange(earliest=TODAY, latest=date.max)


@pytest.mark.parametrize(
    ("count", "unit", "earliest", "latest"),
    [
        # A quarter more or less, at least one unit: house policy.
        (3, Unit.WEEKS, date(2026, 7, 6), date(2026, 7, 20)),
        (1, Unit.WEEKS, date(2026, 7, 20), TODAY),
        (8, Unit.WEEKS, date(2026, 5, 25), date(2026, 6, 22)),
        (2, Unit.MONTHS, date(2026, 5, 3), date(2026, 7, 3)),
        (0, Unit.DAYS, date(2026, 8, 2), TODAY),
    ],
)
def test_about_so_long_ago_has_some_slack_and_never_reaches_past_today(
    count, unit, earliest, latest
):
    assert about_ago(count, unit, TODAY) == DateRange(earliest=earliest, latest=latest)


def test_a_range_has_its_earliest_day_first_and_can_be_cut_at_today():
    with pytest.raises(ValueError, match="earliest"):
        DateRange(earliest=date(2026, 8, 4), latest=TODAY)
    august = in_month(2026, 8)
    assert august.up_to(TODAY) == DateRange(earliest=date(2026, 8, 1), latest=TODAY)
    assert exactly(TODAY).up_to(TODAY).is_exact
    with pytest.raises(ValueError, match="earliest"):
        august.up_to(date(2026, 7, 31))
