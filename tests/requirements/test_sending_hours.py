"""Sending hours in the client's zone: 47 CFR 64.1200(c)(1), 08:00 to 21:00."""

from datetime import UTC, datetime, time, timedelta

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from compliance.requirements.rules.sending_hours import SendingHours, sending_hours_from

HOURS = sending_hours_from({"opens": "08:00", "closes": "21:00"})
ZONES = ["America/New_York", "America/Los_Angeles", "Pacific/Chatham", "Asia/Kathmandu", "UTC"]


@pytest.mark.parametrize(
    ("wall", "allowed"),
    # 12.01, 12.02: none before 8 am or after 9 pm local; 21:00:00 itself counts as closed
    [
        ("07:59:59", False),
        ("08:00:00", True),
        ("20:59:59", True),
        ("21:00:00", False),
        ("03:00:00", False),
    ],
)
def test_the_hours_of_the_one_called(wall, allowed):
    at = datetime.fromisoformat(f"2026-03-02T{wall}-05:00")
    assert HOURS.allow(at, zone="America/New_York") is allowed


def test_it_is_the_clients_zone_that_counts():
    at = datetime.fromisoformat("2026-03-02T09:00:00-05:00")
    assert HOURS.allow(at, zone="America/New_York")
    assert not HOURS.allow(at, zone="America/Los_Angeles")
    assert HOURS.next_allowed(at, zone="America/Los_Angeles") == datetime.fromisoformat(
        "2026-03-02T08:00:00-08:00"
    )


@pytest.mark.parametrize(
    ("at", "opening"),
    [
        # the night clocks go forward (8 March 2026) and back (1 November 2026)
        ("2026-03-07T22:00:00-05:00", "2026-03-08T08:00:00-04:00"),
        ("2026-10-31T21:00:00-04:00", "2026-11-01T08:00:00-05:00"),
        ("2026-11-01T01:30:00-05:00", "2026-11-01T08:00:00-05:00"),
    ],
)
def test_the_next_opening_over_a_clock_change(at, opening):
    found = HOURS.next_allowed(datetime.fromisoformat(at), zone="America/New_York")
    assert found == datetime.fromisoformat(opening)


@pytest.mark.parametrize(
    "value", [{"opens": "21:00", "closes": "08:00"}, {"opens": "08:00", "closes": "08:00"}]
)
def test_hours_that_never_open_are_refused(value):
    with pytest.raises(ValueError):
        sending_hours_from(value)


instants = st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(UTC))


@given(instants, st.sampled_from(ZONES))
def test_against_dateutil(at, zone):
    wall = at.astimezone(tz.gettz(zone)).time()
    assert HOURS.allow(at, zone=zone) is (time(8) <= wall < time(21))


@given(instants, st.sampled_from(ZONES), st.integers(0, 23), st.integers(1, 24))
def test_the_next_allowed_instant_is_allowed_and_the_first(at, zone, opens, length):
    closes = time(opens + length) if opens + length < 24 else time(23, 59, 59)
    hours = SendingHours(opens=time(opens), closes=closes)
    found = hours.next_allowed(at, zone=zone)
    assert found >= at
    assert found - at <= timedelta(hours=25)
    if found > at:
        assert not hours.allow(at, zone=zone)
        assert not hours.allow(found - timedelta(microseconds=1), zone=zone)
    # an opening in the hour that a clock change leaves out comes after that hour
    assert hours.allow(found, zone=zone) or found.astimezone(tz.gettz(zone)).hour == opens + 1
