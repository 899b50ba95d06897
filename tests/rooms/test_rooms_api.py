"""Rooms over HTTP: turned over step by step, ready until closing, flagged when late."""

from datetime import timedelta

import pytest

from rooms import tasks
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.world import BUSINESS, LAKE, uid

STEPS = (
    "single_use_out", "implements_to_soiled", "linen_to_hamper", "clean_surfaces", "disinfect_surfaces",
    "wipe_equipment", "floor", "hands_washed", "fresh_linen",
)  # fmt: skip


def test_a_room_is_brought_back_step_by_step(call, now):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    assert petra.get(room).body["state"] == "needs_turnover"
    begun = petra.post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    assert (begun.status_code, begun.body["state"]) == (200, "turning_over")
    refused = petra.post(f"{room}/turnover/finish")
    assert (refused.status_code, refused.body["open_steps"][0]) == (409, STEPS[0])
    assert refused.body["detail"].startswith("Still to do: Discard what is for one use")
    at = now
    for code in STEPS:
        wet_from = None
        if code == "disinfect_surfaces":
            wet_from, at = at.isoformat(), at + timedelta(seconds=600)
        at += timedelta(seconds=20)
        with clock.stopped_at(at):
            assert (
                petra.post(
                    f"{room}/turnover/steps", {"code": code, "wet_from": wet_from}
                ).status_code
                == 200
            )
    with clock.stopped_at(at):
        done = petra.post(f"{room}/turnover/finish")
    assert (done.status_code, done.body["state"]) == (200, "ready")
    # Lake closes at 19:00 in Chicago, which is midnight UTC.
    assert done.body["ready_until"] == "2026-05-07T00:00:00.000000Z"


def test_a_surface_not_wet_for_the_label_time_is_recorded_and_does_not_count(call, now):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    petra.post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    for code in STEPS[:4]:
        petra.post(f"{room}/turnover/steps", {"code": code})
    with clock.stopped_at(now + timedelta(seconds=599)):
        petra.post(
            f"{room}/turnover/steps", {"code": "disinfect_surfaces", "wet_from": now.isoformat()}
        )
        seen = petra.get(f"{room}/turnover").body
    assert seen["not_counted"][0]["reason"] == "wet_time_short"
    assert seen["next_step"] == "disinfect_surfaces"
    with clock.stopped_at(now + timedelta(seconds=600)):
        petra.post(
            f"{room}/turnover/steps", {"code": "disinfect_surfaces", "wet_from": now.isoformat()}
        )
        assert petra.get(f"{room}/turnover").body["next_step"] == "wipe_equipment"


def test_another_product_taken_later_does_not_shorten_the_wet_time_of_the_first(call, now):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    quick = call("lena").post(
        "disinfectants",
        {"name": "invented spray", "active": "alcohol", "family": "alcohol", "parts_concentrate": "1",
         "parts_water": "0", "contact_seconds": 60},
    ).body["id"]  # fmt: skip
    petra.post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    for code in STEPS[:4]:
        petra.post(f"{room}/turnover/steps", {"code": code})
    wet = {"code": "disinfect_surfaces", "wet_from": now.isoformat()}
    with clock.stopped_at(now + timedelta(seconds=120)):
        petra.post(f"{room}/turnover/steps", wet)
        # Two minutes are not the ten of the label that the surfaces were wet with, whatever comes next.
        petra.post(f"{room}/turnover/steps", {"code": "floor", "product_id": quick})
        again = {**wet, "wet_from": (now + timedelta(seconds=120)).isoformat(), "product_id": quick}
        petra.post(f"{room}/turnover/steps", again)
        seen = petra.get(f"{room}/turnover").body
        assert [each["reason"] for each in seen["not_counted"]] == [
            "wet_time_short",
            "out_of_order",
            "wet_time_short",
        ]
        assert (seen["next_step"], seen["wet_seconds"]) == ("disinfect_surfaces", 60)
    with clock.stopped_at(now + timedelta(seconds=180)):
        petra.post(f"{room}/turnover/steps", again)
        assert petra.get(f"{room}/turnover").body["next_step"] == "wipe_equipment"


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"code": "polish"}, "/code"),
        ({"code": "floor", "at": "2036-01-01T00:00:00Z"}, "/at"),
        ({}, "/code"),
    ],
)
def test_a_wrong_step_is_named_and_changes_nothing(call, given, pointer):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    petra.post(f"{room}/turnover/begin")
    before = petra.get(room)["ETag"]
    refused = petra.post(f"{room}/turnover/steps", given)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    assert petra.get(room)["ETag"] == before


def test_ready_lapses_at_closing_and_the_sweep_says_so_once(call, now):
    room = f"rooms/{uid('room 1')}"
    with clock.stopped_at(now + timedelta(hours=7, seconds=-1)):
        tasks.flag_rooms()
        assert call("petra").get(room).body["state"] == "ready"
    with clock.stopped_at(now + timedelta(hours=7)):
        assert tasks.flag_rooms() > 0
        assert tasks.flag_rooms() == 0
        assert call("petra").get(room).body["state"] == "needs_turnover"
    # It was ready when the day ended: nobody's omission.
    flagged = call("lena").get(f"locations/{LAKE}/room-flags?open=true").body["items"]
    assert str(uid("room 1")) not in {f["room_id"] for f in flagged}


def test_a_room_left_alone_is_flagged_after_ten_minutes_and_clears_when_begun(call, now):
    from rooms import actions
    from tests.world import actor

    visit = uid("some visit")
    actions.occupy(actor=actor("petra"), now=now, room_id=uid("room 1"), visit_id=visit)
    actions.leave(actor=actor("petra"), now=now, room_id=uid("room 1"), visit_id=visit)
    mine = lambda: [
        f for f in call("lena").get(f"locations/{LAKE}/room-flags?open=true").body["items"]
        if f["room_id"] == str(uid("room 1"))
    ]  # fmt: skip
    with clock.stopped_at(now + timedelta(minutes=10, seconds=-1)):
        tasks.flag_rooms()
        assert mine() == []
    with clock.stopped_at(now + timedelta(minutes=10)):
        tasks.flag_rooms()
        tasks.flag_rooms()
        assert [(f["kind"], f["level"]) for f in mine()] == [("turnover_not_begun", 1)]
    # 15 and 60 minutes after it was due it gets louder (house policy), once each; the clock set back
    # makes it no quieter.
    for minutes, level in ((24, 1), (25, 2), (25, 2), (70, 3), (10, 3)):
        with clock.stopped_at(now + timedelta(minutes=minutes)):
            tasks.flag_rooms()
            assert [f["level"] for f in mine()] == [level]
    assert [e["level"] for _, e in entries("room.flag_escalated", uid("room 1"))] == [2, 3]
    with clock.stopped_at(now + timedelta(minutes=71)):
        call("petra").post(f"rooms/{uid('room 1')}/turnover/begin")
        assert mine() == []


def test_two_visits_cannot_be_in_one_room(db, now):
    from rooms import actions, queries
    from rooms.problems import RoomNotReady
    from tests.world import actor

    actions.occupy(actor=actor("petra"), now=now, room_id=uid("room 1"), visit_id=uid("a"))
    with pytest.raises(RoomNotReady):
        actions.occupy(actor=actor("petra"), now=now, room_id=uid("room 1"), visit_id=uid("b"))
    with reading(BUSINESS), pytest.raises(RoomNotReady):
        queries.check_in_service(room_id=uid("room 1"), visit_id=uid("b"), now=now)


def test_out_of_use_is_left_by_a_turnover_only(call):
    lena, room = call("lena"), f"rooms/{uid('room 2')}"
    assert call("petra").post(f"{room}/out-of-use", {"reason": "leak"}).status_code == 403
    assert lena.post(f"{room}/out-of-use", {"reason": "leak"}).body["state"] == "out_of_use"
    assert lena.post(f"{room}/turnover/begin").status_code == 409
    assert lena.post(f"{room}/bring-back").body["state"] == "needs_turnover"
    assert call("stranger").get(room).status_code == 404


def test_a_step_tapped_by_mistake_is_struck_out_and_open_again(call):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    petra.post(f"{room}/turnover/begin")
    petra.post(f"{room}/turnover/steps", {"code": STEPS[0]})
    report = petra.get(f"{room}/turnover").body["reports"][0]
    struck = petra.post(f"turnover-steps/{report['id']}/strike-out", {"reason": "other room"})
    assert struck.status_code == 200, struck.body
    assert petra.get(f"{room}/turnover").body["next_step"] == STEPS[0]
    assert (
        petra.post(f"turnover-steps/{report['id']}/strike-out", {"reason": "x"}).status_code == 409
    )
    kinds = [
        e["kind"]
        for e in call("inga").get(f"evidence/{LAKE}/entries?subject={uid('room 3')}").body["items"]
    ]
    assert kinds[-2:] == ["room.step_recorded", "room.step_struck"]


def test_unused_single_use_items_go_back_only_covered_and_taken_with_clean_hands(call):
    petra, room = call("petra"), f"rooms/{uid('room 3')}"
    petra.post(f"{room}/turnover/begin")
    unused = [
        {"item": "spatula", "stayed_covered": True, "taken_with_clean_hands": True},
        {"item": "strip", "stayed_covered": True},
        {"item": "cotton"},
    ]
    done = petra.post(f"{room}/turnover/steps", {"code": "single_use_out", "unused": unused})
    assert done.status_code == 200, done.body
    path = f"evidence/{LAKE}/entries?kind=room.step_recorded&subject={uid('room 3')}"
    facts = call("inga").get(path).body["items"][-1]["facts"]
    assert (facts["back_to_stock"], facts["discarded_unused"]) == (["spatula"], ["strip", "cotton"])


def test_a_room_takes_another_name_and_other_features(call):
    lena, path = call("lena"), f"rooms/{uid('room 3')}"
    etag = lena.get(path)["ETag"]
    assert lena.patch(path, {"name": "Garden Room"}).status_code == 428
    changed = lena.patch(
        path, {"name": "Garden Room", "features": ["sink", "step_free", "sink"]}, If_Match=etag
    )
    assert changed.status_code == 200
    assert (changed.body["name"], changed.body["features"]) == (
        "Garden Room",
        ["sink", "step_free"],
    )
    assert lena.patch(path, {"name": "Mine"}, If_Match=etag).status_code == 412
    assert call("petra").patch(path, {"name": "Mine"}, If_Match=changed["ETag"]).status_code == 403
    assert lena.get(path).body["name"] == "Garden Room"


def test_each_step_says_who_and_when_and_a_wrong_order_what_follows(call, now):
    room = f"rooms/{uid('room 3')}"
    call("petra").post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    call("petra").post(f"{room}/turnover/steps", {"code": "floor"})
    call("pavel").post(f"{room}/turnover/steps", {"code": STEPS[0]})
    seen = call("petra").get(f"{room}/turnover").body
    first = seen["steps"][0]
    assert (first["done_by"], first["done_by_name"]) == (str(uid("pavel")), "Pavel")
    assert first["done_at"] == "2026-05-06T17:00:00+00:00"
    assert {one["done_by_name"] for one in seen["steps"][1:]} == {""}
    (wrong,) = seen["not_counted"]
    assert (wrong["code"], wrong["reason"]) == ("floor", "out_of_order")
    assert wrong["open_before"] == list(STEPS[: STEPS.index("floor")])
    assert wrong["what_to_do"].startswith("Do the open steps before it first")


def test_a_room_with_a_foot_basin_is_not_ready_before_it_is_cleaned(call, now):
    room = f"rooms/{uid('room 3')}"
    etag = call("lena").get(room)["ETag"]
    call("lena").patch(room, {"features": ["foot_basin"]}, If_Match=etag)
    call("petra").post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    codes = [one["code"] for one in call("petra").get(f"{room}/turnover").body["steps"]]
    assert codes.index("foot_basin") == codes.index("disinfect_surfaces") + 1
    at, wet_from = now, None
    for code in STEPS:
        if code == "disinfect_surfaces":
            wet_from, at = at.isoformat(), at + timedelta(seconds=600)
        at += timedelta(seconds=20)
        with clock.stopped_at(at):
            said = {"code": code, "wet_from": wet_from if code == "disinfect_surfaces" else None}
            call("petra").post(f"{room}/turnover/steps", said)
    with clock.stopped_at(at):
        refused = call("petra").post(f"{room}/turnover/finish")
        assert (refused.status_code, refused.body["open_steps"][0]) == (409, "foot_basin")
        # A tap is no wet time, and ten minutes less a second are not the label's ten.
        steps = f"{room}/turnover/steps"
        for wet in (None, (at - timedelta(seconds=599)).isoformat()):
            call("petra").post(steps, {"code": "foot_basin", "wet_from": wet})
        seen = call("petra").get(f"{room}/turnover").body["not_counted"]
        assert [one["reason"] for one in seen if one["code"] == "foot_basin"] == [
            "wet_time_short"
        ] * 2
        # It was wet while the table was: the time is not asked for twice.
        call("petra").post(steps, {"code": "foot_basin", "wet_from": wet_from})
        left = call("petra").get(f"{room}/turnover").body
    done = {one["code"]: one["done_at"] for one in left["steps"]}
    assert done["foot_basin"] and left["next_step"] == "wipe_equipment"


def test_a_turnover_faster_than_its_work_is_on_record_as_too_fast(call, now):
    room = f"rooms/{uid('room 3')}"
    call("petra").post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    at = now
    for code in STEPS:
        wet_from = None
        if code == "disinfect_surfaces":
            wet_from, at = at.isoformat(), at + timedelta(seconds=600)
        with clock.stopped_at(at):
            done = {"code": code, "wet_from": wet_from}
            assert call("petra").post(f"{room}/turnover/steps", done).status_code == 200
    with clock.stopped_at(at):
        # 600 s wet, and everything else in no time at all: eight steps of at least 15 s (house policy).
        assert call("petra").post(f"{room}/turnover/finish").status_code == 200
        found = call("lena").get(f"evidence/{LAKE}/entries?limit=500").body["items"]
        board = call("petra").get(f"locations/{LAKE}/room-board").body["rooms"]
    kept = [e["facts"] for e in found if e["kind"] == "room.turnover_finished"]
    assert (kept[-1]["seconds"], kept[-1]["shortest_seconds"], kept[-1]["too_fast"]) == (
        600,
        720,
        True,
    )
    assert {one["name"]: one["turnovers_too_fast"] for one in board}["room 3"] == 1
