"""Opening hours or zone become others: ready rooms and baths follow the closing that holds then."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from itertools import count

import pytest

from compliance.disinfection import actions as disinfection
from compliance.disinfection.models import Solution
from rooms import actions as rooms
from rooms.models import Room
from rooms.tasks import flag_rooms
from services.actions.opening_hours import change_location
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.intervals import at_local
from spa_ops.kernel.units import VolumeUnit
from spa_ops.tenancy.rules import WEEKDAYS
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.disinfection.test_disinfection_api import mix
from tests.services.test_due_checks import checks, instant, swept
from tests.services.test_holds import at_once
from tests.services.test_zone_change import changed_to, preview
from tests.world import BUSINESS, LAKE, actor, uid
from tests.world_rooms import do_steps

PATH = f"locations/{LAKE}"
ROOM = f"rooms/{uid('room 1')}"
CHICAGO = "America/Chicago"
WEDNESDAY = date(2026, 5, 6)


def closing(hour, minute=0, day=WEDNESDAY, zone=CHICAGO):
    return at_local(day, time(hour, minute), zone)


def hours_until(closes, opens="09:00"):
    return {day: [[opens, closes]] for day in WEEKDAYS}


def set_hours(call, hours, by="lena"):
    found = call(by).get(PATH)
    return call(by).patch(PATH, {"opening_hours": hours}, If_Match=found["ETag"])


def bath(call, solution):
    found = call("petra").get(f"solutions/{solution}")
    assert found.status_code == 200, found.body
    return found.body


def ready_until(call):
    return instant(call("petra").get(ROOM).body["ready_until"])


def test_an_earlier_closing_ends_baths_and_readiness_earlier_in_one_unit_of_work(call, now):
    # 1.09, 16 TAC 83.101(a)(3): fresh daily. It ends at the closing of its day, 19:00.
    made = mix(call).body
    assert instant(made["discard_at"]) == closing(19)
    changed = set_hours(call, hours_until("17:00"))
    assert changed.status_code == 200, changed.body
    after = bath(call, made["id"])
    assert instant(after["discard_at"]) == closing(17)
    assert after["version"] == made["version"] + 1
    first, second = after["limits"]
    assert (first["kind"], instant(first["ends_at"])) == ("at_closing", closing(17))
    # The label's 14 days are what they were.
    assert second == made["limits"][1]
    assert ready_until(call) == closing(17)
    ((_, facts),) = entries("solution.window_shortened", made["id"])
    assert (instant(facts["was"]), instant(facts["discard_at"])) == (closing(19), closing(17))
    # The last minute of it, and the first after it.
    for at, usable in ((-1, True), (0, False)):
        with clock.stopped_at(closing(17) + timedelta(seconds=at)):
            board = call("petra").get(f"{PATH}/room-board").body
            (one,) = [b for b in board["solutions"] if b["solution_id"] == made["id"]]
            assert one["is_usable"] is usable


def test_a_later_closing_keeps_a_room_ready_longer_and_no_bath(call, now):
    made = mix(call).body
    assert set_hours(call, hours_until("21:00")).status_code == 200
    # What is written on the container is never exceeded.
    assert bath(call, made["id"]) == made
    assert ready_until(call) == closing(21)
    # Nor does it come back when the hours do.
    set_hours(call, hours_until("17:00"))
    set_hours(call, hours_until("19:00"))
    assert instant(bath(call, made["id"])["discard_at"]) == closing(17)
    assert ready_until(call) == closing(19)
    # A bath that is mixed now has the closing that holds now.
    assert instant(mix(call).body["discard_at"]) == closing(19)


def test_a_closing_that_is_past_ends_a_bath_now_and_not_before(call, now):
    made = mix(call).body
    with clock.stopped_at(now + timedelta(hours=2)):
        # 14:00 in Chicago; the house closed at 13:00, as somebody enters late.
        assert set_hours(call, hours_until("13:00")).status_code == 200
        assert instant(bath(call, made["id"])["discard_at"]) == now + timedelta(hours=2)
        disinfection.expire_solutions(
            actor=system_actor(BUSINESS), now=clock.now(), location_id=LAKE
        )
        ended = bath(call, made["id"])
        assert (ended["end_reason"], instant(ended["ended_at"])) == (
            "window_over",
            now + timedelta(hours=2),
        )
        assert instant(ended["mixed_at"]) == now
        flag_rooms()
        assert call("petra").get(ROOM).body["state"] == "needs_turnover"


def test_what_had_lapsed_or_ended_is_not_brought_back(call, now):
    made = mix(call).body
    with clock.stopped_at(closing(19) + timedelta(minutes=30)):
        # No sweep has run yet.
        assert set_hours(call, hours_until("22:00")).status_code == 200
        assert bath(call, made["id"]) == made
        assert ready_until(call) == closing(19)


def test_a_day_that_is_closed_now_lengthens_nothing(call, now):
    made = mix(call).body
    assert set_hours(call, {}).status_code == 200
    # A day without hours ends at its midnight: later than what was said.
    assert bath(call, made["id"]) == made


def test_other_changes_touch_no_bath_and_a_stale_one_touches_nothing(call, now):
    made = mix(call).body
    found = call("lena").get(PATH)
    assert call("lena").patch(PATH, {"name": "Lake 2"}, If_Match=found["ETag"]).status_code == 200
    refused = call("lena").patch(
        PATH, {"opening_hours": hours_until("17:00")}, If_Match=found["ETag"]
    )
    assert refused.status_code == 412
    wrong = set_hours(call, {"wed": [["09:00", "09:00"]]})
    assert wrong.status_code == 422
    assert bath(call, made["id"]) == made
    assert ready_until(call) == closing(19)


def test_whoever_watches_the_bath_is_warned_by_the_new_closing(call, now):
    made = mix(call).body
    swept(now)
    set_hours(call, hours_until("13:00"))
    # House policy: 30 minutes before, and in the last quarter of a bath that now lasts an hour.
    for minute, told in ((44, False), (45, True)):
        swept(closing(12, minute))
        open_ones = checks(call, kind="bath_ending", open="true")
        found = {(c["subject_id"], instant(c["due_at"])) for c in open_ones}
        assert ((made["id"], closing(13)) in found) is told


def test_what_was_put_in_after_the_new_closing_was_not_inside_the_window(call, now):
    made = mix(call).body
    set_hours(call, hours_until("13:00"))
    kit = f"kits/{uid('brow kit 2')}/reprocessing"
    late = closing(13) + timedelta(minutes=1)
    with clock.stopped_at(late):
        for kind in ("washed", "rinsed", "dried"):
            assert call("petra").post(kit, {"kind": kind}).status_code == 200
        given = {"kind": "immersed", "agent_id": made["id"], "fully_open": True}
        assert call("petra").post(kit, given).status_code == 200
        # Emptied later: the log alone must tell that its window was over when they went in.
        call("petra").post(f"solutions/{made['id']}/end", {"reason": "emptied"})
    with clock.stopped_at(late + timedelta(hours=1)):
        told = call("petra").post(kit, {"kind": "lifted"})
        assert told.status_code == 200, told.body
        assert {i["state"] for i in told.body["implements"]} != {"stored_clean"}
        (lake,) = call("lena").get("dashboard").body["locations"]
        (figure,) = [f for f in lake["figures"] if f["name"] == "soaked_inside_window"]
        assert figure["not_met_entries"]


SPRING, AUTUMN = date(2026, 3, 7), date(2026, 10, 31)  # the evenings before the clocks change


@pytest.mark.parametrize(
    ("evening", "before", "after", "was", "ends"),
    [
        # In Chicago 02:30 of 8 March 2026 does not exist, nor does 02:15: they are 03:30 and 03:15
        # daylight time, UTC-5. 01:30 of 1 November comes twice: the first of them is meant, in
        # daylight time; 02:30 is in standard time, UTC-6 (IANA tz database).
        (SPRING, "02:30", "02:15", datetime(2026, 3, 8, 8, 30, tzinfo=UTC), datetime(2026, 3, 8, 8, 15, tzinfo=UTC)),
        (SPRING, "02:30", "01:30", datetime(2026, 3, 8, 8, 30, tzinfo=UTC), datetime(2026, 3, 8, 7, 30, tzinfo=UTC)),
        (AUTUMN, "02:30", "01:30", datetime(2026, 11, 1, 8, 30, tzinfo=UTC), datetime(2026, 11, 1, 6, 30, tzinfo=UTC)),
        (AUTUMN, "01:30", "02:30", datetime(2026, 11, 1, 6, 30, tzinfo=UTC), datetime(2026, 11, 1, 6, 30, tzinfo=UTC)),
    ],
)  # fmt: skip
def test_in_the_nights_when_the_clocks_change(db, evening, before, after, was, ends):
    lena, at = actor("lena"), closing(20, day=evening)
    changed(lena, at, before)
    solution = mixed(at)
    with reading(BUSINESS):
        Room.objects.filter(id=uid("room 1")).update(state_since=at, ready_until=was)
    assert solution.discard_at == was
    changed(lena, at + timedelta(hours=1), after)
    with reading(BUSINESS):
        assert Solution.objects.get(id=solution.id).discard_at == ends
        # A room, of which nothing says so on paper, is ready until whatever the closing is.
        until = datetime(2026, 11, 1, 8, 30, tzinfo=UTC) if after > before else ends
        assert Room.objects.get(id=uid("room 1")).ready_until == until


def changed(lena, at, closes):
    hours = hours_until(closes, opens="18:00")
    change_location(actor=lena, now=at, location_id=LAKE, opening_hours=hours)


def mixed(at, container="jar 1"):
    ml = VolumeUnit.MILLILITRE
    return disinfection.mix_solution(
        actor=system_actor(BUSINESS), now=at, location_id=LAKE, product_id=uid("quat"),
        container=container, concentrate=(Decimal(60), ml), water=(Decimal(960), ml),
    )  # fmt: skip


def test_another_zone_ends_baths_sooner_where_closing_comes_sooner_and_says_so_first(call, now):
    made = mix(call).body
    # 19:00 in New York is 18:00 in Chicago.
    seen = preview(call, "America/New_York").body["baths"]
    (one,) = [b for b in seen if b["solution_id"] == made["id"]]
    assert (instant(one["discard_at_before"]), instant(one["discard_at_after"])) == (
        closing(19),
        closing(18),
    )
    assert preview(call, "America/Denver").body["baths"] == []
    assert changed_to(call, "America/New_York").status_code == 200
    assert instant(bath(call, made["id"])["discard_at"]) == closing(18)
    assert changed_to(call, "America/Denver").status_code == 200
    assert instant(bath(call, made["id"])["discard_at"]) == closing(18)


def test_a_bath_mixed_while_the_hours_change_never_has_the_old_closing(own_database, now):
    closes = count(12)
    lena = actor("lena")
    for n in range(6):
        new = closing(18 - n)
        hour = f"{18 - n:02}:00"

        def changes(hour=hour):
            hours = hours_until(hour)
            return change_location(actor=lena, now=now, location_id=LAKE, opening_hours=hours)

        def mixes():
            return mixed(now, container=f"jar {next(closes)}")

        with clock.stopped_at(now):
            at_once(mixes, changes, mixes)
        with reading(BUSINESS):
            latest = Solution.objects.filter(location_id=LAKE, ended_at=None).order_by(
                "-discard_at"
            )[0]
            assert latest.discard_at <= new


def test_a_room_called_ready_while_the_hours_change_never_has_the_old_closing(own_database, now):
    lena, system, room = actor("lena"), system_actor(BUSINESS), uid("room 1")
    for n in range(4):
        at, new = now + n * timedelta(minutes=40), 18 - n

        def changes(at=at, new=new):
            hours = hours_until(f"{new}:00")
            return change_location(actor=lena, now=at, location_id=LAKE, opening_hours=hours)

        def finishes(at=at):
            return rooms.finish_turnover(actor=system, now=at, room_id=room)

        with clock.stopped_at(at):
            before = at - timedelta(minutes=25)
            rooms.take_out_of_use(actor=system, now=before, room_id=room, reason="lamp")
            rooms.bring_back(actor=system, now=before, room_id=room)
            do_steps("room 1")
            at_once(finishes, changes)
        with reading(BUSINESS):
            found = Room.objects.get(id=room)
            assert (found.state, found.ready_until) == ("ready", closing(new))


def test_the_sweep_of_what_is_due_is_quiet_about_an_ended_bath(call, now):
    made = mix(call).body
    set_hours(call, hours_until("13:00"))
    with clock.stopped_at(closing(13) + timedelta(minutes=1)):
        disinfection.expire_solutions(
            actor=system_actor(BUSINESS), now=clock.now(), location_id=LAKE
        )
        sweep_due_checks()
        open_ones = checks(call, kind="bath_ending", open="true")
    assert made["id"] not in {c["subject_id"] for c in open_ones}
