"""A visit lies within opening hours from the client's coming to their leaving, for the search and for booking alike."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import WEEKDAYS, first_closed, is_open
from tests.services.day import book, line
from tests.world import HOURS, LAKE, uid


@pytest.fixture
def closed_at_lunch(call):
    """Lake closes from 13:00 to 13:30 and opens again; practitioners are on shift meanwhile."""
    found = call("lena").get(f"locations/{LAKE}")
    hours = {day: [["09:00", "13:00"], ["13:30", "19:00"]] for day in HOURS}
    done = call("lena").patch(f"locations/{LAKE}", {"opening_hours": hours}, If_Match=found["ETag"])
    assert done.status_code == 200, done.body


@pytest.mark.usefixtures("closed_at_lunch")
def test_nobody_is_booked_over_a_time_at_which_the_house_is_closed(call, now):
    # Noon in Chicago. A brow wax takes the client 25 minutes: 12:50 to 13:15, and 13:20 to 13:45.
    for minutes in (50, 80):
        refused = book(call, now, line(now, minutes=minutes))
        assert refused.body["type"] == "/problems/outside-opening-hours", refused.body
    # Not both ends: open at 12:50 and at 13:35, closed in between.
    long = line(now, "full leg wax", kit=None, minutes=50)
    refused = book(call, now, long)
    assert (refused.status_code, refused.body["at"]) == (409, "2026-05-06T18:00:00.000000Z")
    assert book(call, now, line(now, "full leg wax", kit=None, minutes=90)).status_code == 201


@pytest.mark.usefixtures("closed_at_lunch")
def test_the_search_and_booking_agree_on_every_start(call, now):
    service = {"service_id": str(uid("lip wax")), "practitioner_id": str(uid("petra"))}
    asked = {"client_id": str(uid("cora")), "lines": [service | {"room_id": str(uid("room 1"))}]}
    span = {"from": now.isoformat(), "to": (now + timedelta(hours=4)).isoformat(), "limit": 100}
    found = call("freya").post(f"locations/{LAKE}/availability", asked | span)
    assert found.status_code == 200, found.body
    offered = {datetime.fromisoformat(o["starts_at"]) for o in found.body["options"]}
    assert offered
    for minutes in range(5, 130, 5):
        made = book(call, now, line(now, "lip wax", kit=None, minutes=minutes))
        assert (made.status_code == 201) is (now + timedelta(minutes=minutes) in offered), minutes
        if made.status_code == 201:
            call("freya").post(f"visits/{made.body['id']}/cancel")


def test_a_visit_ends_with_the_closing_and_may_cross_from_one_day_to_the_next():
    hours = {"wed": [["18:00", "00:00"]], "thu": [["00:00", "02:00"]]}
    begin = datetime(2026, 5, 6, 23, tzinfo=ZoneInfo("America/Chicago"))
    for hours_long, closed in ((1, None), (3, None), (3.5, begin + timedelta(hours=3))):
        period = Period(begin, begin + timedelta(hours=hours_long))
        assert first_closed(hours, "America/Chicago", period) == closed


_walls = st.integers(0, 95).map(lambda n: f"{n // 4:02}:{n % 4 * 15:02}")
_spans = st.lists(st.tuples(_walls, _walls).filter(lambda s: s[0] != s[1]).map(list), max_size=3)


@given(
    hours=st.dictionaries(st.sampled_from(WEEKDAYS), _spans, max_size=7),
    zone=st.sampled_from(["America/Chicago", "Pacific/Chatham", "America/Santiago", "Asia/Kathmandu"]),
    # Around both changes of the clocks of each zone in 2026 (IANA data), and on an ordinary day.
    day=st.sampled_from([
        date(2026, 3, 8), date(2026, 4, 4), date(2026, 4, 5), date(2026, 5, 6), date(2026, 9, 5),
        date(2026, 9, 6), date(2026, 9, 27), date(2026, 11, 1),
    ]),
    begins=st.integers(0, 95),
    quarters=st.integers(1, 120),
)  # fmt: skip
def test_open_throughout_is_open_at_each_quarter_of_an_hour(hours, zone, day, begins, quarters):
    start = datetime.combine(day, time(0), tzinfo=UTC) + timedelta(minutes=15 * begins)
    instants = [start + timedelta(minutes=15 * n) for n in range(quarters)]
    # Every wall time and offset here is a multiple of a quarter of an hour: nothing lies between.
    closed = next((at for at in instants if not is_open(hours, zone, at)), None)
    period = Period(start, start + timedelta(minutes=15 * quarters))
    assert first_closed(hours, zone, period) == closed
