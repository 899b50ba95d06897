"""Implements counted out and back: a missing one keeps linen and bin until it is found or written off."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.rules.counting import Search, count_back
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from tests.disinfection.test_baths_api import entries
from tests.services.day import GLOVED, RECORD, WASHED, consult, in_room
from tests.world import LAKE, uid

KIT = f"kits/{uid('brow kit 1')}"
TWEEZERS, SCISSORS = (str(uid(f"brow kit 1 {tool}")) for tool in ("tweezers", "scissors"))
ROOM = f"rooms/{uid('room 1')}/turnover"


@pytest.fixture
def visit(call, now):
    """A visit in room 1 whose line is done and whose client has left; brow kit 1 was opened for it."""
    seated = in_room(call, now)
    line = f"lines/{seated['lines'][0]['id']}"
    consult(call, seated)
    for path, body in ((f"{line}/start", GLOVED), (f"{line}/finish", {"record": RECORD, **WASHED})):
        assert call("petra").post(path, body).status_code == 200
    assert call("freya").post(f"visits/{seated['id']}/leave").status_code == 200
    begun = call("petra").post(f"{ROOM}/begin", {"product_id": str(uid("quat"))})
    assert begun.status_code == 200, begun.body
    return seated["id"]


def count(call, visit, *missing, by="petra"):
    return call(by).post(f"{KIT}/count-back", {"visit_id": visit, "missing_ids": list(missing)})


def step(call, code, **said):
    done = call("petra").post(f"{ROOM}/steps", {"code": code, **said})
    assert done.status_code == 200, done.body


def turned_over(call, now, *, start=0):
    """Every required step that is open, in order, each a minute after the one before."""
    seconds = start
    for _ in range(20):
        seen = call("petra").get(ROOM).body
        if seen["next_step"] is None:
            return seconds
        wet = next(s["wet"] for s in seen["steps"] if s["code"] == seen["next_step"])
        begun = now + timedelta(seconds=seconds)
        seconds += 660 if wet else 60
        with clock.stopped_at(now + timedelta(seconds=seconds)):
            step(call, seen["next_step"], **({"wet_from": begun.isoformat()} if wet else {}))
    raise AssertionError("this turnover never ends")


def missing(call):
    return call("petra").get(f"locations/{LAKE}/missing-pieces").body["items"]


def test_a_kit_that_came_back_whole_holds_nothing(call, now, visit):
    assert count(call, visit).status_code == 200
    end = turned_over(call, now)
    with clock.stopped_at(now + timedelta(seconds=end)):
        assert call("petra").post(f"{ROOM}/finish").status_code == 200
    assert [(e["pieces_out"], e["missing_ids"]) for e in entries("kit.counted_back")] == [(2, [])]
    assert missing(call) == []


def test_a_missing_piece_takes_no_part_in_its_kits_way_back(call, now, visit):
    petra = call("petra")
    way = f"{KIT}/reprocessing"
    states = lambda: {i["name"]: i["state"] for i in petra.get(KIT).body["implements"]}
    # Washed as a whole kit before anybody counted: what is missed then was not washed.
    assert petra.post(way, {"kind": "washed"}).status_code == 200
    count(call, visit, TWEEZERS)
    assert states() == {"scissors": "washed", "tweezers": "soiled"}
    for kind in ("rinsed", "dried"):
        assert petra.post(way, {"kind": kind}).status_code == 200
    named = petra.post(way, {"kind": "washed", "implement_ids": [TWEEZERS]})
    assert (named.status_code, named.body["errors"][0]["pointer"]) == (422, "/implement_ids")
    (gone,) = missing(call)
    assert petra.post(f"missing-pieces/{gone['id']}/found").status_code == 200
    assert states() == {"scissors": "cleaned", "tweezers": "soiled"}
    assert petra.post(way, {"kind": "washed", "implement_ids": [TWEEZERS]}).status_code == 200


def test_linen_and_bin_wait_while_a_piece_is_missing(call, now, visit):
    counted = count(call, visit, TWEEZERS)
    assert {i["tag"]: i["missing"] for i in counted.body["implements"]} == {
        "brow kit 1 scissors": False,
        "brow kit 1 tweezers": True,
    }
    with clock.stopped_at(now + timedelta(minutes=1)):
        step(call, "single_use_out")
        seen = call("petra").get(ROOM).body
    assert [(u["code"], u["reason"]) for u in seen["not_counted"]] == [
        ("single_use_out", "piece_missing")
    ]
    assert "Search linen and bin" in seen["not_counted"][0]["what_to_do"]
    assert (seen["missing"], seen["next_step"]) == (["brow kit 1 tweezers"], "single_use_out")
    found = missing(call)
    assert [(m["tag"], m["visit_id"]) for m in found] == [("brow kit 1 tweezers", visit)]
    with clock.stopped_at(now + timedelta(minutes=2)):
        assert call("petra").post(f"missing-pieces/{found[0]['id']}/found").status_code == 200
        again = call("petra").post(f"missing-pieces/{found[0]['id']}/found")
        assert again.body["type"] == "/problems/wrong-state"
    assert missing(call) == []
    # What was emptied while it was missing is done again: it may have been in there.
    end = turned_over(call, now, start=180)
    with clock.stopped_at(now + timedelta(seconds=end)):
        assert call("petra").post(f"{ROOM}/finish").status_code == 200
    assert [e["outcome"] for e in entries("implement.search_ended")] == ["found"]


def test_a_room_is_not_ready_while_a_piece_is_missing_even_with_every_step_done(call, now, visit):
    end = turned_over(call, now)
    with clock.stopped_at(now + timedelta(seconds=end)):
        count(call, visit, SCISSORS)
        refused = call("petra").post(f"{ROOM}/finish")
        assert (refused.status_code, refused.body["type"]) == (409, "/problems/piece-missing")
        assert refused.body["missing"] == ["brow kit 1 scissors"]
        assert call("petra").get(f"rooms/{uid('room 1')}").body["state"] == "turning_over"
        count(call, visit)  # it turned up, and the kit is counted again
        assert missing(call) == []
        assert call("petra").post(f"{ROOM}/finish").status_code == 200


def test_a_piece_is_written_off_by_a_lead_and_leaves_its_kit(call, now, visit):
    count(call, visit, TWEEZERS)
    path = f"missing-pieces/{missing(call)[0]['id']}/write-off"
    assert call("petra").post(path, {"outcome": "lost"}).status_code == 403
    assert call("lena").post(path, {"outcome": "found"}).status_code == 422
    kit = call("lena").post(path, {"outcome": "lost"}).body
    assert [i["tag"] for i in kit["implements"]] == ["brow kit 1 scissors"]
    assert [i["tag"] for i in call("petra").get(f"{KIT}/clearance").body["items"]] == [
        "brow kit 1 scissors"
    ]
    assert missing(call) == []
    end = turned_over(call, now)
    with clock.stopped_at(now + timedelta(seconds=end)):
        assert call("petra").post(f"{ROOM}/finish").status_code == 200
    assert [e["outcome"] for e in entries("implement.search_ended")] == ["lost"]


def test_only_what_went_out_is_counted_back(call, now, visit):
    other = count(call, visit, str(uid("brow kit 2 tweezers")))
    assert (other.status_code, other.body["errors"][0]["pointer"]) == (422, "/missing_ids")
    unopened = call("petra").post(
        f"kits/{uid('brow kit 2')}/count-back", {"visit_id": visit, "missing_ids": []}
    )
    assert (unopened.status_code, unopened.body["errors"][0]["pointer"]) == (422, "/visit_id")
    assert count(call, visit, by="stranger").status_code == 404
    assert call("stranger").get(f"locations/{LAKE}/missing-pieces").status_code == 404
    assert entries("kit.counted_back") == []
    assert missing(call) == []


def test_a_piece_missing_in_two_counts_is_missing_once(call, now, visit):
    count(call, visit, TWEEZERS)
    count(call, visit, TWEEZERS, SCISSORS)
    assert {m["tag"] for m in missing(call)} == {"brow kit 1 scissors", "brow kit 1 tweezers"}
    count(call, visit, SCISSORS)
    assert [m["tag"] for m in missing(call)] == ["brow kit 1 scissors"]


def test_a_missing_piece_is_due_until_it_is_settled(call, now, visit):
    count(call, visit, TWEEZERS)
    assert sweep_due_checks() > 0
    assert sweep_due_checks() == 0
    path = f"locations/{LAKE}/due-checks?kind=piece_missing"
    (raised,) = call("petra").get(path).body["items"]
    assert (raised["what"], raised["outcome"]) == ("brow kit 1 tweezers", None)
    call("petra").post(f"missing-pieces/{missing(call)[0]['id']}/found")
    assert sweep_due_checks() == 1
    (cleared,) = call("petra").get(path).body["items"]
    assert cleared["outcome"] == "done"


pieces = st.frozensets(st.uuids(), max_size=6)


@given(pieces, st.data())
def test_after_any_counts_exactly_the_last_ones_missing_are_missing(out, data):
    gone = frozenset()
    for _ in range(data.draw(st.integers(0, 4))):
        told = (
            data.draw(st.frozensets(st.sampled_from(sorted(out)), max_size=6))
            if out
            else frozenset()
        )
        change = count_back(out=out, missing=told, missing_before=gone)
        assert not change.newly_missing & gone
        assert change.come_back <= gone
        gone = (gone - change.come_back) | change.newly_missing
        assert gone == told
    with pytest.raises(ValueError, match="did not go out"):
        count_back(out=out, missing=[uid("something else")], missing_before=gone)


@pytest.mark.parametrize(
    ("until", "at", "held"),
    [(None, -1, False), (None, 0, True), (None, 9999, True), (60, 59, True), (60, 60, False)],
)
def test_a_search_holds_from_its_first_second_until_it_ends(now, until, at, held):
    later = lambda seconds: now + timedelta(seconds=seconds)
    search = Search(tag="t", since=now, until=None if until is None else later(until))
    assert search.covers(later(at)) is held
