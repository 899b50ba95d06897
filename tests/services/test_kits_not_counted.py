"""A kit that was counted out and not counted back is due, by the clock, until somebody counts it."""

from datetime import timedelta

import pytest

from compliance.disinfection import actions as disinfection
from services.actions.merging import merge_client
from services.models import DueCheck
from services.rules.stays import LONGEST_STAY, kit_is_done
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.services.builders import house_policy
from tests.services.day import GLOVED, RECORD, WASHED, book, consult, in_room
from tests.services.test_due_checks import checks, instant, swept
from tests.services.test_holds import at_once
from tests.services.test_merging import double
from tests.world import BUSINESS, LAKE, actor, uid

KIT = uid("brow kit 1")
MINUTE = timedelta(minutes=1)
SECOND = timedelta(seconds=1)


def open_checks(call):
    return checks(call, kind="kit_not_counted", open="true")


def opened(now, visit, kit=KIT):
    disinfection.open_kit(actor=system_actor(BUSINESS), now=now, kit_id=kit, visit_id=visit)


def count(call, visit, at, *missing):
    with clock.stopped_at(at):
        done = call("petra").post(
            f"kits/{KIT}/count-back", {"visit_id": visit, "missing_ids": list(missing)}
        )
        assert done.status_code == 200, done.body


def left(call, now, client="cora"):
    """A visit whose line used brow kit 1 and whose client left at `now`."""
    visit = in_room(call, now, client=client)
    consult(call, visit)
    path = f"lines/{visit['lines'][0]['id']}"
    assert call("petra").post(f"{path}/start", GLOVED).status_code == 200
    done = call("petra").post(f"{path}/finish", {"record": RECORD, **WASHED})
    assert done.status_code == 200, done.body
    assert call("freya").post(f"visits/{visit['id']}/leave").status_code == 200
    return visit["id"]


def test_half_an_hour_after_the_client_left_it_is_due_and_louder_until_it_is_counted(call, now):
    visit = left(call, now)
    # House policy: 30 minutes after the visit's end, louder after 15 and 60 more.
    seen = []
    for after in (30 * MINUTE - SECOND, 30 * MINUTE, 45 * MINUTE, 90 * MINUTE):
        swept(now + after)
        seen.append([(c["level"], c["what"]) for c in open_checks(call)])
    words = "brow kit 1: not counted back"
    assert seen == [[], [(1, words)], [(2, words)], [(3, words)]]
    (one,) = open_checks(call)
    assert (one["subject_id"], instant(one["due_at"])) == (str(KIT), now + 30 * MINUTE)
    with clock.stopped_at(now + 91 * MINUTE):
        shown = call("petra").get(f"locations/{LAKE}/hand-over").body["due"]
        assert ("kit_not_counted", words, 3) in [(d["kind"], d["what"], d["level"]) for d in shown]
        page = call("petra").get(f"locations/{LAKE}/hand-over-page").content.decode()
        assert words in page
    count(call, visit, now + 92 * MINUTE)
    swept(now + 93 * MINUTE)
    (done,) = checks(call, kind="kit_not_counted")
    assert (done["outcome"], done["late"]) == ("done", True)
    assert instant(done["cleared_at"]) == now + 92 * MINUTE
    assert [len(entries(f"due_check.{k}", KIT)) for k in ("raised", "escalated", "cleared")] == [
        1,
        2,
        1,
    ]
    assert swept(now + 94 * MINUTE) == 0


def test_counted_in_time_nothing_is_ever_raised_and_missing_pieces_have_a_check_of_their_own(
    call, now
):
    visit = left(call, now)
    count(call, visit, now + 30 * MINUTE - SECOND, str(uid("brow kit 1 tweezers")))
    swept(now + timedelta(hours=2))
    assert checks(call, kind="kit_not_counted") == []
    assert [c["what"] for c in checks(call, kind="piece_missing")] == ["brow kit 1 tweezers"]


def test_counted_in_time_while_no_worker_ran_it_was_not_late(call, now):
    house_policy(kit_count_back_minutes=10)
    visit = left(call, now)
    swept(now + 10 * MINUTE)
    assert len(open_checks(call)) == 1
    count(call, visit, now + 10 * MINUTE)
    swept(now + timedelta(hours=3))
    (one,) = checks(call, kind="kit_not_counted")
    assert (one["outcome"], one["late"]) == ("done", False)


def test_a_clock_set_back_by_an_hour_raises_nothing_twice_and_takes_nothing_back(call, now):
    visit = left(call, now)
    swept(now + 31 * MINUTE)
    assert swept(now - 29 * MINUTE) == 0
    assert [c["level"] for c in open_checks(call)] == [1]
    assert swept(now + 31 * MINUTE) == 0
    count(call, visit, now + 32 * MINUTE)
    swept(now - 28 * MINUTE)
    swept(now + 33 * MINUTE)
    assert [len(entries(f"due_check.{k}", KIT)) for k in ("raised", "cleared")] == [1, 1]


def test_a_kit_opened_for_a_visit_that_was_cancelled_is_counted_back_too(call, now):
    visit = book(call, now).body["id"]
    opened(now, visit)
    # Whoever is still expected keeps the kit out.
    swept(now + 45 * MINUTE)
    assert open_checks(call) == []
    with clock.stopped_at(now + 50 * MINUTE):
        assert call("freya").post(f"visits/{visit}/cancel", {"reason": "ill"}).status_code == 200
    swept(now + 80 * MINUTE - SECOND)
    assert open_checks(call) == []
    swept(now + 80 * MINUTE)
    (one,) = open_checks(call)
    assert instant(one["due_at"]) == now + 80 * MINUTE
    count(call, visit, now + 81 * MINUTE)
    swept(now + 82 * MINUTE)
    assert [c["outcome"] for c in checks(call, kind="kit_not_counted")] == ["done"]


def test_a_cancellation_that_was_struck_out_takes_its_check_with_it(call, now):
    visit = book(call, now).body["id"]
    opened(now, visit)
    assert call("freya").post(f"visits/{visit}/cancel", {"reason": "ill"}).status_code == 200
    swept(now + 30 * MINUTE)
    assert len(open_checks(call)) == 1
    with clock.stopped_at(now + 31 * MINUTE):
        back = call("lena").post(f"visits/{visit}/strike-out", {"reason": "the other one"})
        assert back.status_code == 200, back.body
    swept(now + 32 * MINUTE)
    assert [c["outcome"] for c in checks(call, kind="kit_not_counted")] == ["gone"]


def test_a_merged_client_s_visit_is_asked_for_once_and_names_nobody(call, now):
    double(now)
    visit = left(call, now, client="twin")
    swept(now + 31 * MINUTE)
    merge_client(
        actor=actor("olga"), now=now + 32 * MINUTE, client_id=uid("twin"), into_id=uid("cora")
    )
    assert swept(now + 33 * MINUTE) == 0
    (one,) = open_checks(call)
    assert one["what"] == "brow kit 1: not counted back"
    count(call, visit, now + 34 * MINUTE)
    swept(now + 35 * MINUTE)
    assert [c["outcome"] for c in checks(call, kind="kit_not_counted")] == ["done"]
    assert len(entries("due_check.raised", KIT)) == 1


def test_who_was_not_recorded_as_gone_had_left_after_the_longest_stay(call, now):
    opened(now, uid("a visit nobody ended"))
    swept(now + LONGEST_STAY + 30 * MINUTE - SECOND)
    assert open_checks(call) == []
    swept(now + LONGEST_STAY + 30 * MINUTE)
    assert len(open_checks(call)) == 1
    swept(now + timedelta(days=31))
    assert open_checks(call) == []


def test_a_kit_that_was_not_opened_after_all_is_not_asked_for(call, now):
    visit = left(call, now)
    events = [
        e for e in call("petra").get(f"kits/{KIT}/events").body["items"] if e["kind"] == "used"
    ]
    assert len(events) == 2
    for left_over, event in zip((1, 0), events, strict=True):
        path = f"implement-events/{event['id']}/strike-out"
        struck = call("lena").post(path, {"reason": "another kit"})
        assert struck.status_code == 200, struck.body
        swept(now + timedelta(hours=1))
        assert len(open_checks(call)) == left_over
    assert visit


def test_two_sweeps_at_once_raise_it_once_and_clear_it_once(own_database, now):
    visits = [uid(f"visit {n}") for n in range(2)]
    with clock.stopped_at(now):
        for visit, kit in zip(visits, (KIT, uid("brow kit 2")), strict=True):
            opened(now, visit, kit)
    late = now + LONGEST_STAY + timedelta(hours=1)
    with clock.stopped_at(late):
        at_once(*[sweep_due_checks] * 4)
    with reading(BUSINESS):
        rows = DueCheck.objects.filter(kind="kit_not_counted")
        assert [row.level for row in rows] == [2, 2]
    for visit, kit in zip(visits, (KIT, uid("brow kit 2")), strict=True):
        disinfection.count_kit_back(
            actor=system_actor(BUSINESS), now=late, kit_id=kit, visit_id=visit, missing_ids=[]
        )
    with clock.stopped_at(late + MINUTE):
        at_once(*[sweep_due_checks] * 4)
    with reading(BUSINESS):
        assert {row.outcome for row in DueCheck.objects.filter(kind="kit_not_counted")} == {"done"}
    for kit in (KIT, uid("brow kit 2")):
        counted = [len(entries(f"due_check.{k}", kit)) for k in ("raised", "cleared")]
        assert counted == [1, 1]


@pytest.mark.parametrize(
    ("left_after", "off_after", "expected"),
    [(40, None, 40), (None, 20, 20), (None, None, 480), (-5, None, 0), (None, -5, 0)],
)
def test_an_end_before_the_opening_counts_from_the_opening(now, left_after, off_after, expected):
    end = kit_is_done(
        now,
        left_at=None if left_after is None else now + left_after * MINUTE,
        called_off_at=None if off_after is None else now + off_after * MINUTE,
    )
    assert end == now + expected * MINUTE
