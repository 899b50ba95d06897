"""Lead time, how far the diary is open, and public holidays: for booking, moving, holding and availability."""

from datetime import date, timedelta

import pytest
from dateutil.easter import easter

from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy.rules import house_policy, open_periods, public_holidays
from tests.services.builders import house_policy as set_policy
from tests.services.day import book, line
from tests.services.test_availability import BROW, found
from tests.world import HOURS, LAKE, uid

MINUTE = timedelta(minutes=1)


def slug(answer):
    return answer.body["type"].removeprefix("/problems/")


def test_nothing_is_booked_moved_held_or_offered_within_the_lead_time(call, now):
    set_policy(lead_minutes=90)
    soon, later = line(now, minutes=85), line(now, minutes=90)
    assert slug(book(call, now, soon)) == "too-soon"
    held = call("freya").post(f"locations/{LAKE}/holds", {"lines": [soon]})
    assert slug(held) == "too-soon"
    assert found(call, now, BROW)["options"][0]["starts_at"] == _text(now + 90 * MINUTE)
    booked = book(call, now, later)
    assert booked.status_code == 201
    moved = call("freya").post(
        f"visits/{booked.body['id']}/move", {"lines": [soon]}, If_Match=booked["ETag"]
    )
    assert slug(moved) == "too-soon"
    walk_in = {"client_id": str(uid("celia")), "lines": [line(now, minutes=5, who="pavel", room="room 2", kit="brow kit 2")]}  # fmt: skip
    assert call("freya").post(f"locations/{LAKE}/walk-ins", walk_in).status_code == 201


def test_the_diary_ends_where_the_house_says(call, now):
    set_policy(horizon_days=2)
    assert slug(book(call, now, line(now, minutes=2 * 1440))) == "too-far-ahead"
    given = found(call, now + timedelta(days=1, hours=23), BROW, limit=200)
    starts = [o["starts_at"] for o in given["options"]]
    assert starts and max(starts) == _text(now + timedelta(days=2) - 5 * MINUTE)
    assert book(call, now, line(now, minutes=2 * 1440 - 5)).status_code == 201
    beyond = found(call, now + timedelta(days=3), BROW)
    assert beyond["options"] == [] and "later_day" not in {w["change"] for w in beyond["what_if"]}
    assert {r["why"] for r in beyond["reasons"]} <= {"not_in_period", "closed"}


def test_on_a_public_holiday_the_house_is_closed_if_it_says_so(call, now):
    # Memorial Day is the last Monday of May (5 U.S.C. 6103(a)): 25 May 2026.
    holiday = now + timedelta(days=19)
    assert holiday.date() == date(2026, 5, 25)
    assert book(call, now, line(holiday, minutes=0)).status_code == 201
    set_policy(closed_on_holidays_of="US-TX")
    assert slug(book(call, now, line(holiday, minutes=120))) == "outside-opening-hours"
    given = found(call, holiday, BROW, to=(holiday + timedelta(hours=6)).isoformat())
    assert given["options"] == [] and [r["why"] for r in given["reasons"]] == ["closed"]
    assert {w["change"] for w in given["what_if"]} == {"later_day"}


# Fixed and reckoned days from 5 U.S.C. 6103(a), and Good Friday two days before Easter as dateutil
# reckons it, for a country that closes then.
@pytest.mark.parametrize("year", range(2024, 2035))
def test_holidays_are_those_of_the_statute_and_of_the_church_calendar(year):
    def nth(month, weekday, n):
        first = date(year, month, 1)
        return first + timedelta(days=(weekday - first.weekday()) % 7 + 7 * (n - 1))

    last_monday = max(d for n in (4, 5) if (d := nth(5, 0, n)).month == 5)
    expected = {
        date(year, 1, 1), nth(1, 0, 3), nth(2, 0, 3), last_monday, date(year, 6, 19),
        date(year, 7, 4), nth(9, 0, 1), date(year, 11, 11), nth(11, 3, 4), date(year, 12, 25),
    }  # fmt: skip
    assert expected <= public_holidays("US", year)
    assert easter(year) - timedelta(days=2) in public_holidays("DE", year)
    assert public_holidays("", year) == frozenset()


def test_a_holiday_opens_nothing_and_its_neighbours_as_always():
    days = [date(2026, 5, d) for d in (22, 25, 26)]
    many = [len(open_periods(HOURS, "America/Chicago", d, "US")) for d in days]
    assert many == [1, 0, 1]
    assert [len(open_periods(HOURS, "America/Chicago", d)) for d in days] == [1, 1, 1]


@pytest.mark.parametrize("code", ["ZZ", "US-ZZ", "us", "US-", "-", "USA", 5])
def test_a_code_without_holidays_is_refused(code):
    with pytest.raises(InvalidInput):
        house_policy({"closed_on_holidays_of": code})
    for good in ("", "US", "US-TX", "DE-BY"):
        assert house_policy({"closed_on_holidays_of": good}).closed_on_holidays_of == good


def _text(at):
    return at.isoformat().replace("+00:00", ".000000Z")
