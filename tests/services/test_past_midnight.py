"""A visit that goes on past midnight: its consultation speaks for it until it is over, judged by the new day."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from services.actions import team
from services.rules.stays import LONGEST_STAY, still_speaks
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import run
from tests.services.day import GLOVED, RECORD, WASHED, all_no, consult, hair, in_room, line
from tests.world import BUSINESS, LAKE, actor, uid
from tests.world_rooms import make_kit_ready, make_ready

#: An ordinary night; the night on which midnight itself is skipped (Chile's clocks go from 24:00 to
#: 01:00); Chatham's 45 minutes and its change at 02:45; the hour after one that comes twice (IANA data).
NIGHTS = [
    ("America/Chicago", datetime(2026, 5, 6, 23, 20)),
    ("America/Santiago", datetime(2026, 9, 5, 23, 20)),
    ("Pacific/Chatham", datetime(2026, 9, 26, 23, 20)),
    ("America/Chicago", datetime(2026, 10, 31, 23, 20)),
]


def _at(zone, wall):
    return wall.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)


def _open_at_night(zone):
    """Lake in that zone, open from nine until five in the morning, Petra there until then."""

    def change():
        place = Location.objects.get(id=LAKE)
        place.zone = zone
        days = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
        place.opening_hours = {day: [["09:00", "05:00"]] for day in days}
        put(place, fields=["zone", "opening_hours"])

    run(change, actor=actor("olga"), now=clock.now())
    for weekday in range(6):
        team.add_shift(
            actor=system_actor(BUSINESS), now=clock.now(), person_id=uid("petra"),
            location_id=LAKE, weekday=weekday, starts=time(19), ends=time(5),
            valid_from=date(2026, 1, 5),
        )  # fmt: skip


def _begun(call, zone, evening, **said):
    """A visit of brow and lip whose consultation was held at 23:20 of that evening."""
    _open_at_night(zone)
    begin = _at(zone, evening)
    with clock.stopped_at(begin):
        make_ready("room 1")
        make_kit_ready("brow kit 1")
        lip = line(begin, "lip wax", kit=None, minutes=None)
        visit = in_room(call, begin, line(begin, minutes=20), lip)
        return visit, begin, consult(call, visit, **said)


def _start(call, visit, at=0):
    return call("petra").post(f"lines/{visit['lines'][at]['id']}/start", GLOVED)


@pytest.mark.parametrize(("zone", "evening"), NIGHTS)
def test_a_line_begins_after_midnight_by_the_consultation_of_before(call, zone, evening):
    both = {a["question"]: a for a in all_no() + all_no(area="lip")}
    seen = [hair(), hair("lip")]
    visit, begin, _ = _begun(call, zone, evening, answers=list(both.values()), findings=seen)
    with clock.stopped_at(begin + timedelta(minutes=20)):
        assert _start(call, visit).status_code == 200
    with clock.stopped_at(begin + timedelta(minutes=45)):
        path = f"lines/{visit['lines'][0]['id']}/finish"
        assert call("petra").post(path, {"record": RECORD, **WASHED}).status_code == 200
        begun = _start(call, visit, at=1)
        assert begun.status_code == 200, begun.body
    # The verdict by which it began is of the new day, in the row and in the log.
    today = str(evening.date() + timedelta(days=1))
    assert begun.body["lines"][1]["screened_on"] == today
    query = f"evidence/{LAKE}/entries?subject={visit['id']}&kind=line.screened"
    days = [e["facts"]["screened_on"] for e in call("inga").get(query).body["items"]]
    assert sorted(set(days)) == [str(evening.date()), today]
    assert days[-1] == today


def test_what_was_to_wait_until_tomorrow_may_begin_after_midnight(call):
    # 7 days after the last use on 30 April (trade-facts 7.06, dermatologist's published advice).
    retinoid = {
        "kind": "topical_retinoid", "areas": ["brow"], "when": {"on": "2026-04-30"}, "still": False,
    }  # fmt: skip
    visit, begin, judged = _begun(
        call, *NIGHTS[0], answers=all_no(skin_actives="yes"), declarations=[retinoid]
    )
    assert (judged["lines"][0]["verdict"], judged["lines"][0]["earliest_on"]) == (
        "wait_until", "2026-05-07",
    )  # fmt: skip
    with clock.stopped_at(begin + timedelta(minutes=39)):
        assert _start(call, visit).body["earliest_on"] == "2026-05-07"
    with clock.stopped_at(begin + timedelta(minutes=41)):
        assert _start(call, visit).status_code == 200


def test_what_forbids_it_forbids_it_after_midnight_and_is_overridden_then(call):
    peel = {
        "kind": "chemical_peel", "areas": ["face"], "when": {"on": "2026-05-04"}, "details": ["light"],
    }  # fmt: skip
    visit, begin, _ = _begun(
        call, *NIGHTS[0], answers=all_no(procedures="yes"), declarations=[peel]
    )
    with clock.stopped_at(begin + timedelta(minutes=45)):
        refused = _start(call, visit)
        assert (refused.status_code, refused.body["verdict"]) == (409, "wait_until")
        path = f"lines/{visit['lines'][0]['id']}/override"
        let = call("petra").post(path, {"reason": "it was on the chin only"})
        assert (let.status_code, let.body["lines"][0]["screened_on"]) == (200, "2026-05-07")
        assert _start(call, visit).status_code == 200


def test_whoever_is_still_there_in_the_morning_is_asked_anew(call):
    visit, begin, _ = _begun(call, *NIGHTS[0])
    make = begin + LONGEST_STAY + timedelta(minutes=10)
    with clock.stopped_at(make):
        assert _start(call, visit).body["type"] == "/problems/not-screened"
        path = f"lines/{visit['lines'][0]['id']}/override"
        assert call("petra").post(path, {"reason": "x"}).body["type"] == "/problems/wrong-state"


@pytest.mark.parametrize(
    ("screened_on", "came", "hours", "speaks"),
    [
        (None, "2026-05-06T20:00", 1, False),
        ("2026-05-06", "2026-05-06T20:00", 1, True),
        ("2026-05-06", "2026-05-06T09:00", 14, True),  # its own day, however long
        ("2026-05-06", "2026-05-06T20:00", 8, True),
        ("2026-05-06", "2026-05-06T20:00", 8.01, False),
        ("2026-05-05", "2026-05-06T20:00", 1, False),  # of an arrival that was struck out
        # Eight elapsed hours, whatever a clock on the wall shows: 05:00 where an hour comes twice,
        # 07:00 where one is skipped.
        ("2026-10-31", "2026-10-31T22:00", 8, True),
        ("2026-03-07", "2026-03-07T22:00", 8, True),
        ("2026-03-07", "2026-03-07T22:00", 8.01, False),
    ],
)
def test_how_long_a_consultation_speaks(screened_on, came, hours, speaks):
    zone = "America/Chicago"
    arrived = _at(zone, datetime.fromisoformat(came))
    day = date.fromisoformat(screened_on) if screened_on else None
    now = arrived + timedelta(hours=hours)
    assert still_speaks(day, arrived_at=arrived, now=now, zone=zone) is speaks


def test_without_an_arrival_only_the_day_itself_counts():
    now = _at("America/Chicago", datetime(2026, 5, 7, 0, 10))
    for day, speaks in ((date(2026, 5, 7), True), (date(2026, 5, 6), False)):
        assert still_speaks(day, arrived_at=None, now=now, zone="America/Chicago") is speaks
