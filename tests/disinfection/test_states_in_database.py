"""The database's own refusal of illegal moves: every pair of states, in SQL, against the rules' table."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import Error, connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from compliance.disinfection import actions
from compliance.disinfection.models import Implement
from compliance.disinfection.rules.reprocessing import (
    MOVES,
    OF_THE_BATH,
    EventKind,
    ImplementState,
    is_legal_move,
)
from compliance.disinfection.rules.use_window import SOLUTION_MOVES, SolutionState
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.units import VolumeUnit
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, uid

pytestmark = pytest.mark.django_db
TWEEZERS = uid("brow kit 2 tweezers")


def takes(statement, values):
    """Whether the database takes a statement; nothing of it is kept."""
    try:
        with reading(BUSINESS), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement, values)
            assert cursor.rowcount == 1
            transaction.set_rollback(True)
    except Error as refused:
        assert refused.__cause__.sqlstate == "23514", refused
        return False
    return True


def in_state(state):
    """Put the tweezers there as a correction may; a correction after it would be another."""
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "UPDATE disinfection_implement SET state = %s, derived_anew = derived_anew + 1 WHERE id = %s",
            [state, TWEEZERS],
        )


@pytest.mark.parametrize("before", ImplementState)
def test_every_move_is_refused_that_the_rules_do_not_have(before):
    in_state(before)
    for after in ImplementState:
        taken = takes(
            "UPDATE disinfection_implement SET state = %s WHERE id = %s", [after, TWEEZERS]
        )
        assert taken is (before is after or is_legal_move(before, after)), (before, after)
    assert not takes("UPDATE disinfection_implement SET state = 'shiny' WHERE id = %s", [TWEEZERS])


def test_a_correction_may_put_it_in_any_state_there_is_and_in_no_other():
    anew = "UPDATE disinfection_implement SET state = %s, derived_anew = derived_anew + %s WHERE id = %s"
    in_state("out_of_use")
    for after in set(ImplementState) - MOVES[ImplementState.OUT_OF_USE] - {"out_of_use"}:
        assert takes(anew, [after, 1, TWEEZERS])
        assert not takes(anew, [after, 2, TWEEZERS])
        assert not takes(anew, [after, 0, TWEEZERS])
    assert not takes(anew, ["shiny", 1, TWEEZERS])


@pytest.mark.parametrize("state", ImplementState)
def test_an_implement_begins_soiled(state):
    copied = (
        "INSERT INTO disinfection_implement SELECT (jsonb_populate_record(i, jsonb_build_object('id', "
        "gen_random_uuid(), 'tag', 'copy', 'state', %s::text))).* FROM disinfection_implement i WHERE id = %s"
    )
    assert takes(copied, [state, TWEEZERS]) is (state is ImplementState.SOILED)


def bath(call):
    ml = {"unit": "mL"}
    poured = {"concentrate": ml | {"amount": "60"}, "water": ml | {"amount": "960"}}
    asked = {"product_id": str(uid("quat")), "container": "jar 9", **poured}
    return call("petra").post(f"locations/{LAKE}/solutions", asked).body["id"]


def test_nothing_brings_a_bath_back_or_lengthens_its_window(call):
    solution = bath(call)
    ended = "UPDATE disinfection_solution SET ended_at = %s WHERE id = %s"
    assert takes(ended, [clock.now(), solution])
    for column in ("discard_at", "mixed_at"):
        longer = f"UPDATE disinfection_solution SET {column} = {column} + interval '1 second' WHERE id = %s"
        assert not takes(longer, [solution])
    call("petra").post(f"solutions/{solution}/end", {"reason": "emptied"})
    # Ended, its window is what it was.
    shorter = "UPDATE disinfection_solution SET discard_at = discard_at - interval '1 second' WHERE id = %s"
    assert not takes(shorter, [solution])
    times = {SolutionState.USABLE: None, SolutionState.ENDED: clock.now() + timedelta(hours=1)}
    for after in SolutionState:
        assert takes(ended, [times[after], solution]) is (
            after in SOLUTION_MOVES[SolutionState.ENDED]
        )


# Whatever people record, in whatever order and however late, goes through ----------------------

RECORDED = [k for k in EventKind if k not in OF_THE_BATH]
STEPS = st.tuples(
    st.sampled_from(RECORDED),
    st.sampled_from([0, 1, 599, 600, 601, 3600]),
    st.sampled_from([0, 0, 0, 1, 700]),
    st.booleans(),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(STEPS, min_size=1, max_size=12))
def test_no_record_of_what_happened_is_ever_refused_by_the_database(call, now, steps):
    solution, seconds = _fresh_bath(now), 0
    for kind, gap, ago, well in steps:
        seconds += gap
        at = now + timedelta(seconds=seconds)
        actions.record_reprocessing(
            actor=system_actor(BUSINESS), now=at, kit_id=uid("brow kit 2"), kind=kind,
            at=at - timedelta(seconds=min(ago, seconds)), agent_id=solution, fully_open=well, covered=well,
        )  # fmt: skip
    with reading(BUSINESS):
        assert Implement.objects.filter(kit=uid("brow kit 2")).count() == 2


def _fresh_bath(now):
    ml = VolumeUnit.MILLILITRE
    return actions.mix_solution(
        actor=system_actor(BUSINESS), now=now, location_id=LAKE, product_id=uid("quat"), container="jar 9",
        concentrate=(Decimal(60), ml), water=(Decimal(960), ml),
    ).id  # fmt: skip


def test_the_triggers_stand_on_the_tables():
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgrelid::regclass::text, tgname FROM pg_trigger WHERE tgname IN ('state_machine', "
            "'written_once', 'only_earlier') AND tgenabled = 'O'"
        )
        found = set(cursor.fetchall())
    assert ("disinfection_implement", "state_machine") in found
    assert ("disinfection_solution", "written_once") in found
    assert ("disinfection_solution", "only_earlier") in found


def test_the_window_of_a_running_bath_may_only_become_shorter(call):
    solution = bath(call)
    moved = "UPDATE disinfection_solution SET discard_at = discard_at + %s WHERE id = %s"
    assert takes(moved, [timedelta(0), solution])
    assert not takes(moved, [timedelta(microseconds=1), solution])
    assert takes(moved, [timedelta(microseconds=-1), solution])
