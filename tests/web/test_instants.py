"""An instant is sent with its offset: a time of the wall clock alone could be any of many instants."""

import pytest

from tests.services.day import book, line
from tests.world import LAKE, uid


# RFC 3339, section 5.6: date-time = full-date "T" full-time, and full-time has a time-offset.
@pytest.mark.parametrize(
    "cut", [lambda at: at[:19], lambda at: at[:16], lambda at: at[:10], lambda at: at[:19] + "-06"]
)
def test_an_instant_without_its_offset_is_named_and_nothing_is_booked(call, now, cut):
    one = line(now, minutes=120)
    one["starts_at"] = cut(one["starts_at"])
    refused = book(call, now, one)
    assert refused.status_code == 422, refused.body
    assert [e["pointer"] for e in refused.body["errors"]] == ["/lines/0/starts_at"]
    assert call("freya").get(f"locations/{LAKE}/visits").body["items"] == []


@pytest.mark.parametrize("ending", ["Z", "+00:00", ".000000Z", ".123456789-00:00"])
def test_an_instant_with_an_offset_is_taken(call, now, ending):
    one = line(now, minutes=120)
    at, one["starts_at"] = one["starts_at"], one["starts_at"][:19] + ending
    made = book(call, now, one)
    assert made.status_code == 201, made.body
    assert made.body["lines"][0]["starts_at"][:19] == at[:19]


def test_an_empty_text_or_no_text_is_no_instant(call, now):
    for given in ("", 7, ["2026-05-06T17:00:00Z"]):
        refused = book(call, now, line(now) | {"starts_at": given})
        assert refused.status_code == 422, refused.body


def test_a_day_that_the_calendar_does_not_have_is_told_as_that(call, now):
    # RFC 3339, section 5.7 and appendix C: February has 29 days in leap years only, as 2028 is one.
    said = "names a day that the calendar does not have"
    no_day = book(call, now, line(now) | {"starts_at": "2027-02-29T17:00:00Z"})
    assert (no_day.status_code, no_day.body["errors"][0]["message"]) == (422, said)
    waiting = {"client_id": str(uid("cora")), "lines": [{"service_id": str(uid("brow wax"))}]}
    for day, status in (("2027-02-29", 422), ("2027-02-28", 201)):
        asked = call("freya").post(
            f"locations/{LAKE}/waiting", {**waiting, "from_on": day, "until_on": "2027-03-01"}
        )
        assert asked.status_code == status, asked.body
        assert status == 201 or asked.body["errors"][0]["message"] == said
    for query, message in (
        ("day=2027-02-29", said),
        ("day=today", "must be a day such as 2026-05-06"),
    ):
        read = call("freya").get(f"locations/{LAKE}/kits-needed?{query}")
        assert (read.status_code, read.body["errors"][0]["message"]) == (422, message)
    read = call("freya").get(f"locations/{LAKE}/kits-needed?day=2028-02-29")
    assert (read.status_code, read.body["day"]) == (200, "2028-02-29")
    read = call("freya").get(f"locations/{LAKE}/visits?from=2027-02-29T00:00:00Z")
    assert (read.status_code, read.body["errors"][0]["message"]) == (422, said)
