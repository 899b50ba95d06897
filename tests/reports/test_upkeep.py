"""Figures of lists, equipment, hand-overs and sterilisers: five days lived, and counted again by SQL."""

from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest

from compliance.reports.rules import upkeep
from compliance.reports.rules.figures import Seen, Terms
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from tests.disinfection import test_sterilising as sterile
from tests.disinfection.test_sterilising import lance_kit  # noqa: F401 - a fixture
from tests.imports.commands import rows
from tests.reports.test_dashboard import figures
from tests.rooms.test_check_lists_api import PATH as OPENING
from tests.rooms.test_check_lists_api import all_done, tick
from tests.rooms.test_equipment_api import FILLED, add, log
from tests.rooms.test_rooms_api import STEPS
from tests.services.test_hand_over import give
from tests.world import HARBOR, LAKE, uid

ZONE = "America/Chicago"


@contextmanager
def at(now, *, days=0, hours=0.0, swept=True):
    """A moment of the story; NOON is noon in Chicago. First what is due is swept, as beat does."""
    with clock.stopped_at(now + timedelta(days=days, hours=hours)):
        if swept:
            sweep_due_checks()
        yield clock.now()


def ok(answer):
    assert answer.status_code in {200, 201}, answer.body
    return answer.body


def lists(call, now):
    """Wednesday late and blank; Thursday ticked in time; Friday against what is known; Saturday not at all."""
    tick(call, "hand_wash")
    ok(call("petra").post(f"{OPENING}/sign-off", {}))
    with at(now, days=1, hours=-3.4):
        all_done(call)
    with at(now, days=1, hours=-3.2):
        pass
    with at(now, days=2, hours=-3.4):
        all_done(call)
        ok(call("petra").post(f"{OPENING}/sign-off", {}))
    with at(now, days=3, hours=-2.9):
        pass
    with at(now, days=4, hours=-11):
        pass


def equipment(call, now):
    pot, warmer, basin = add(call), add(call, "towel_warmer"), add(call, "foot_basin")
    box, machine = add(call, "sharps_box"), add(call, "washing_machine")
    add(call, "eye_wash", in_date_through="2026-05-07")
    log(call, pot, **FILLED)
    for degrees in ("58", "70", "20"):
        ok(log(call, pot, "measured", degrees=degrees, unit="C"))
    newest = call("petra").get(f"{pot}/log").body["items"][0]["id"]
    ok(
        call("petra").post(
            f"equipment-entries/{newest}/strike-out", {"reason": "read off the room's"}
        )
    )
    # 16 TAC 117.83: hot water and chlorine bleach.
    ok(log(call, machine, "washed", used=["bleach", "hot_water"], load="towels"))
    ok(log(call, machine, "washed", load="towels", degrees="40", unit="C", minutes=10))
    ok(call("lena").post(f"{basin}/retire"))
    ok(log(call, box, "full"))
    for hours in (2, 5):
        with at(now, hours=hours, swept=False):
            ok(log(call, box, "replaced") if hours == 2 else log(call, warmer, "disinfected"))
            if hours == 5:
                ok(log(call, warmer, "left_open"))
    with at(now, days=1):
        ok(log(call, box, "full"))
    with at(now, days=1, hours=7.2):
        pass
    with at(now, days=2):
        ok(log(call, box, "replaced"))
    with at(now, days=2, hours=7.2):
        pass
    # Saturday's care is logged after closing, on its day.
    with at(now, days=3, hours=7.2):
        ok(log(call, warmer, "disinfected"))
        ok(log(call, warmer, "left_open"))
    with at(now, days=3, hours=7.4):
        pass


def sterilisers(call, now):
    """One is tested on its first day, and fails on its second; another was due twenty days ago."""
    steam = sterile.add(call)
    old = sterile.add(call, name="old", installed_at=(now - timedelta(days=20)).isoformat())
    with at(now, hours=1):
        sterile.test(call, steam, "good")
    with at(now, hours=2):
        sterile.through(call, steam)
    with at(now, days=1):
        sterile.test(call, steam, "failed")
        sterile.test(call, old, "good")
    with at(now, days=2):
        sterile.through(call, steam)
    with at(now, days=3):
        sterile.through(call, old)


def hand_overs(call, now):
    for hours in (1, None, 14):
        given = ok(give(call))
        if hours is not None:
            with at(now, hours=hours, swept=False):
                ok(call("lena").post(f"hand-overs/{given['id']}/accept"))
    with at(now, days=4, hours=-4):
        ok(give(call))


def fast_turnover(call, now):
    room = f"rooms/{uid('room 3')}"
    call("petra").post(f"{room}/turnover/begin", {"product_id": str(uid("quat"))})
    moment = now
    for code in STEPS:
        wet_from = None
        if code == "disinfect_surfaces":
            wet_from, moment = moment.isoformat(), moment + timedelta(seconds=600)
        with clock.stopped_at(moment):
            ok(call("petra").post(f"{room}/turnover/steps", {"code": code, "wet_from": wet_from}))
    with clock.stopped_at(moment):
        ok(call("petra").post(f"{room}/turnover/finish"))


#: Each figure as (met, of), by statements that know nothing of the program's judging.
ENTRIES = f"""
WITH e AS (SELECT n, kind, occurred_at AS at, facts::jsonb AS f FROM ledger_entry WHERE chain_id = %s),
logged AS (
    SELECT *, f ->> 'equipment_id' AS piece, f ->> 'event' AS event, f ->> 'flaws' IS NULL AS good FROM e
    WHERE kind = 'equipment.logged' AND f ->> 'entry_id' NOT IN (
        SELECT f ->> 'entry_id' FROM e WHERE kind = 'equipment.entry_struck')
), dues AS (
    SELECT DISTINCT ON (f ->> 'due_check_id') f ->> 'kind' AS of, f ->> 'subject_id' AS subject,
        (f ->> 'due_at')::timestamptz AS due_at, (f ->> 'cleared_at')::timestamptz AS cleared_at,
        f ->> 'outcome' AS outcome, coalesce((f ->> 'late')::bool, true) AS late,
        ((f ->> 'due_at')::timestamptz - interval '1 us') AT TIME ZONE '{ZONE}' AS due_local,
        (coalesce((f ->> 'cleared_at')::timestamptz, now_.at)) AT TIME ZONE '{ZONE}' AS end_local
    FROM e, (SELECT %s::timestamptz AS at) now_
    WHERE kind IN ('due_check.raised', 'due_check.cleared') ORDER BY f ->> 'due_check_id', n DESC
), missed AS (
    SELECT d.*, p.f ->> 'kind' AS piece_kind FROM dues d
    LEFT JOIN e p ON p.kind = 'equipment.added' AND p.f ->> 'equipment_id' = d.subject
    WHERE end_local::date > due_local::date
)
"""
BY_SQL = {
    "turnovers_not_too_fast": """
        SELECT count(*) FILTER (WHERE f ->> 'too_fast' = 'false'), count(*) FROM e
        WHERE kind = 'room.turnover_finished'""",
    "opening_lists": """
        SELECT count(*) FILTER (WHERE good), count(*) FROM (
            SELECT f ->> 'late' = 'false' AND f ->> 'blank' = '[]' AND f ->> 'not_done' = '[]'
                AND f ->> 'contradicted' = '[]' AS good
            FROM e WHERE kind = 'check_list.signed_off' AND f ->> 'kind' = 'opening'
            UNION ALL SELECT outcome = 'done' AND NOT late FROM dues d WHERE of = 'opening_list' AND NOT EXISTS (
                SELECT FROM e WHERE kind = 'check_list.signed_off' AND (f ->> 'due_at')::timestamptz = d.due_at)
        ) x""",
    "wax_pots_kept": """
        SELECT count(*) FILTER (WHERE good), count(*) FROM logged
        WHERE f ->> 'kind' = 'wax_pot' AND event IN ('filled', 'measured', 'cleaned')""",
    "towel_warmers_kept": """
        SELECT (SELECT count(*) FROM logged WHERE f ->> 'kind' = 'towel_warmer' AND good),
            (SELECT count(*) FROM logged WHERE f ->> 'kind' = 'towel_warmer')
            + (SELECT count(*) FROM missed WHERE of = 'equipment' AND piece_kind = 'towel_warmer')""",
    "sharps_boxes_kept": f"""
        SELECT count(*) FILTER (WHERE EXISTS (
            SELECT FROM logged r WHERE r.event = 'replaced' AND r.piece = b.piece AND r.at > b.at
            AND (r.at AT TIME ZONE '{ZONE}')::date = (b.at AT TIME ZONE '{ZONE}')::date)), count(*)
        FROM logged b WHERE event = 'full'""",
    "linen_washed": "SELECT count(*) FILTER (WHERE good), count(*) FROM logged WHERE event = 'washed'",
    "emergency_kits_kept": """
        SELECT count(*) FILTER (WHERE false), count(*) FROM missed WHERE piece_kind = 'eye_wash'""",
    "hand_overs_accepted": """
        SELECT count(*) FILTER (WHERE took <= interval '12 hours'),
            count(*) FILTER (WHERE took IS NOT NULL OR given_at < (SELECT max(end_local AT TIME ZONE 'UTC') FROM dues)
                - interval '3 days')
        FROM (SELECT g.at AS given_at, a.at - g.at AS took FROM e g LEFT JOIN e a ON a.kind = 'hand_over.accepted'
            AND a.f ->> 'hand_over_id' = g.f ->> 'hand_over_id' WHERE g.kind = 'hand_over.given') x""",
    "spore_tests_on_time": """
        SELECT count(*) FILTER (WHERE NOT EXISTS (SELECT FROM missed m WHERE m.of = 'spore_test'
            AND m.subject = t.f ->> 'steriliser_id' AND m.cleared_at = (t.f ->> 'taken_at')::timestamptz)), count(*)
        FROM e t WHERE kind = 'spore_test.taken'""",
    "spore_tests_good": """
        SELECT count(*) FILTER (WHERE f ->> 'result' = 'good'), count(*) FROM e WHERE kind = 'spore_test.read'""",
    "loads_standing": """
        SELECT count(*) FILTER (WHERE EXISTS (SELECT FROM e r WHERE r.kind = 'steriliser.load_released'
                AND r.f ->> 'load_id' = s.f ->> 'load_id') AND NOT EXISTS (SELECT FROM e r
                WHERE r.kind = 'steriliser.load_recalled' AND r.f ->> 'load_id' = s.f ->> 'load_id')), count(*)
        FROM e s WHERE kind = 'steriliser.load_finished'""",
}  # fmt: skip


def test_five_days_are_judged_and_counted_again_by_sql(call, now):
    for part in (fast_turnover, hand_overs, sterilisers, equipment, lists):
        part(call, now)
    with at(now, days=4) as end:
        found, _, body = figures(call)
        of = {name: (f["met"], f["of"]) for name, f in found.items()}
        why = {n: {w["flaw"]: w["count"] for w in f["why"]} for n, f in found.items()}
        behind = call("olga").get(found["opening_lists"]["entries"] + "&met=false").body["items"]
        later = figures(call, query="?from=2026-05-08&to=2026-05-10")[0]
    assert {name: of[name] for name in BY_SQL} == {
        "turnovers_not_too_fast": (2, 3),
        "opening_lists": (1, 4),
        "wax_pots_kept": (2, 3),
        "towel_warmers_kept": (4, 6),
        "sharps_boxes_kept": (1, 2),
        "linen_washed": (1, 2),
        "emergency_kits_kept": (0, 1),
        "hand_overs_accepted": (1, 3),
        "spore_tests_on_time": (2, 3),
        "spore_tests_good": (2, 3),
        "loads_standing": (1, 3),
    }
    for name, statement in BY_SQL.items():
        assert rows(ENTRIES + statement, LAKE, end)[0] == of[name], name
    assert why["opening_lists"] == {"late": 1, "blank": 1, "contradicted": 1, "not_done": 1}
    assert why["hand_overs_accepted"] == {"late": 1, "not_accepted": 1}
    assert (why["wax_pots_kept"], why["linen_washed"]) == ({"too_hot": 1}, {"no_published_wash": 1})
    assert why["towel_warmers_kept"] == {"care_missed": 2}
    assert why["loads_standing"] == {"recalled": 1, "failed": 1}
    assert (why["spore_tests_on_time"], why["spore_tests_good"]) == ({"late": 1}, {"failed": 1})
    assert [e["n"] for e in behind] == found["opening_lists"]["not_met_entries"]
    assert {e["kind"] for e in behind} == {"check_list.signed_off", "due_check.cleared"}
    # Nobody keeps closing lists here; a basin was there on Wednesday, and is gone since.
    applies = {name: f["applies"] for name, f in found.items()}
    assert {name for name, yes in applies.items() if not yes} == {"closing_lists"}
    assert (found["foot_basins_kept"]["of"], later["foot_basins_kept"]["applies"]) == (0, False)
    assert (later["opening_lists"]["of"], later["turnovers_not_too_fast"]["of"]) == (2, 0)
    other = next(x for x in body["locations"] if x["location_id"] == str(HARBOR))
    none = {f["name"] for f in other["figures"] if not f["applies"]}
    assert none == set(BY_SQL) - {"turnovers_not_too_fast"} | {
        "closing_lists", "foot_basins_kept", "cleared_before_use", "soaked_inside_window",
    }  # fmt: skip
    assert {f["basis_points"] for f in other["figures"] if f["name"] in none} == {None}


MOMENT = datetime(2026, 5, 6, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def seen(*told):
    """Entries of (kind, when, facts), numbered as they come; instants in facts as the log has them."""
    return [
        Seen(n=n, kind=kind, occurred_at=MOMENT + when,
             facts={k: (MOMENT + v).isoformat() if isinstance(v, timedelta) else v for k, v in facts.items()})
        for n, (kind, when, facts) in enumerate(told)
    ]  # fmt: skip


def judged(judge, entries, until=3 * DAY):
    terms = Terms(
        local_day=lambda moment: moment.date(), until=MOMENT + until, pieces={"kit": "first_aid_kit"}
    )  # fmt: skip
    return [(one.n, one.why) for one in judge(entries, terms)]


def check(kind, due_at, **more):
    return {"due_check_id": f"{kind}/{due_at}", "kind": kind, "subject_id": "kit", "due_at": due_at} | more  # fmt: skip


def cleared(kind, due_at, cleared_at, outcome, *, late):
    facts = check(kind, due_at, outcome=outcome, cleared_at=cleared_at, late=late)
    return ("due_check.cleared", cleared_at, facts)


@pytest.mark.parametrize(
    ("end", "expected"),
    [
        ([], [(0, ("not_done",))]),
        ([cleared("opening_list", DAY, DAY / 2, "done", late=False)], [(1, ())]),
        ([cleared("opening_list", DAY, 2 * DAY, "done", late=True)], [(1, ("late",))]),
        ([cleared("opening_list", DAY, 2 * DAY, "gone", late=True)], [(1, ("not_done",))]),
        # The house does not open that day after all: nobody asks for the list.
        ([cleared("opening_list", DAY, DAY / 2, "gone", late=False)], []),
    ],
)
def test_a_list_that_nobody_signed_off_is_judged_by_its_check(end, expected):
    entries = seen(("due_check.raised", DAY / 2, check("opening_list", DAY)), *end)
    assert judged(upkeep.lists_kept("opening"), entries) == expected
    assert judged(upkeep.lists_kept("closing"), entries) == []


def test_a_list_is_not_late_before_it_is_due_and_a_signed_one_is_judged_once():
    raised = ("due_check.raised", DAY / 2, check("opening_list", DAY))
    assert judged(upkeep.lists_kept("opening"), seen(raised), until=DAY) == []
    facts = {"kind": "opening", "due_at": DAY, "late": True, "blank": [], "not_done": [], "contradicted": []}  # fmt: skip
    signed = ("check_list.signed_off", 2 * DAY, facts)
    gone = cleared("opening_list", DAY, DAY * 1.5, "gone", late=True)
    assert judged(upkeep.lists_kept("opening"), seen(raised, gone, signed)) == [(2, ("late",))]
    good = ("check_list.signed_off", DAY / 2, {**facts, "late": False})
    # An early entry did not say when the list was due: the check ended with its signing off.
    early = {k: v for k, v in good[2].items() if k != "due_at"}
    done = cleared("opening_list", DAY, DAY / 2, "done", late=False)
    assert judged(upkeep.lists_kept("opening"), seen(raised, done, good)) == [(2, ())]
    assert judged(upkeep.lists_kept("opening"), seen(raised, done, (*good[:2], early))) == [(2, ())]


@pytest.mark.parametrize(
    ("until", "accepted", "expected"),
    [
        (timedelta(hours=12), None, []),
        (timedelta(hours=12, seconds=1), None, [(0, ("not_accepted",))]),
        (3 * DAY, timedelta(hours=12), [(0, ())]),
        (3 * DAY, timedelta(hours=12, seconds=1), [(0, ("late",))]),
    ],
)
def test_a_hand_over_waits_twelve_hours_to_be_accepted(until, accepted, expected):
    told = [("hand_over.given", timedelta(), {"hand_over_id": "1"})]
    if accepted is not None:
        told.append(("hand_over.accepted", accepted, {"hand_over_id": "1"}))
    assert judged(upkeep.hand_overs_accepted, seen(*told), until) == expected


def test_a_load_that_was_recalled_wrongly_counts_as_before():
    load, zero = {"load_id": "1"}, timedelta()
    told = [("steriliser.load_released", zero, load), ("steriliser.load_recalled", DAY, load)]
    assert judged(upkeep.loads_standing, seen(*told)) == [(1, ("recalled",))]
    told.append(("steriliser.load_vouched_for", 2 * DAY, load))
    assert judged(upkeep.loads_standing, seen(*told)) == [(0, ())]
    withdrawn = ("steriliser.load_failed", 2 * DAY, load)
    assert judged(upkeep.loads_standing, seen(*told, withdrawn)) == [(3, ("failed",))]


def test_a_steriliser_out_of_use_owes_no_test_and_a_corrected_result_counts():
    due = ("due_check.raised", DAY, check("spore_test", DAY))
    out = ("steriliser.out_of_use", DAY, {"steriliser_id": "kit", "since": DAY})
    assert judged(upkeep.spore_tests_on_time, seen(due)) == [(0, ("not_done",))]
    assert judged(upkeep.spore_tests_on_time, seen(due, out)) == []
    read = ("spore_test.read", DAY, {"test_id": "1", "result": "failed", "read_at": DAY})
    fixed = ("spore_test.corrected", 2 * DAY, {"test_id": "1", "result": "good"})
    assert judged(upkeep.spore_tests_good, seen(read)) == [(0, ("failed",))]
    assert judged(upkeep.spore_tests_good, seen(read, fixed)) == [(0, ())]


def test_what_is_due_by_the_end_of_a_day_is_due_on_that_day():
    midnight = timedelta(hours=12)
    raised = ("due_check.raised", timedelta(), check("equipment", midnight))
    kept = upkeep.equipment_kept("first_aid_kit", missed="out_of_date")
    assert judged(kept, seen(raised), until=midnight - timedelta(seconds=1)) == []
    assert judged(kept, seen(raised), until=midnight) == [(0, ("out_of_date",))]
    assert judged(upkeep.equipment_kept("eye_wash"), seen(raised)) == []
