"""An instant is sent with its offset: a time of the wall clock alone could be any of many instants."""

import pytest

from tests.services.day import book, line
from tests.world import LAKE


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
