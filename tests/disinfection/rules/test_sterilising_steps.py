"""Packing, loads and pouches: what clears an implement and what does not, in whatever order."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compliance.disinfection.rules.clearance import clearance
from compliance.disinfection.rules.guidance import ADVICE, Reason
from compliance.disinfection.rules.reprocessing import Event, EventKind, ImplementState
from tests.disinfection.rules.bench import (
    AGENTS,
    ANNA,
    BATH,
    LAMP,
    LANCE,
    LOAD,
    OTHER_LOAD,
    TWEEZERS,
    at,
    cleaned,
    event,
    immersed,
    read,
    sterilised,
    track,
    way_back,
)
from tests.disinfection.rules.test_clearance_properties import events

S, R, E = ImplementState, Reason, EventKind


@pytest.mark.parametrize("who", [TWEEZERS, LANCE])
def test_cleaned_packed_and_a_released_load_clear_it(who):
    seen = read(sterilised(0, who), who)
    assert (seen.state, seen.reason, seen.is_cleared, seen.may_be_used) == (S.READY, R.READY, True, True)  # fmt: skip


@pytest.mark.parametrize(
    ("left_out", "reason"),
    [
        # Cal. H&S 119315: an integrator in each load; the rest is common practice, no source
        ("washed", R.NOT_WASHED),
        ("dried", R.PACKED_WET),
        ("packed", R.NOT_PACKED),
        ("loaded", R.STERILISE_NEXT),
        ("sterilised", R.RELEASE_NEXT),
    ],
)
def test_one_step_left_out_clears_nothing_and_says_what_to_do(left_out, reason):
    told = [e for e in sterilised(0, LANCE) if e.kind != left_out]
    seen = read(told, LANCE)
    assert not seen.is_cleared
    assert not seen.may_be_used
    if left_out == "washed":
        assert seen.reason in {R.LOADED_UNCLEANED, R.PACKED_UNCLEANED}
    elif left_out == "dried":
        # The wet pouch was then loaded: no fresh, dry pouch.
        assert seen.reason is R.NOT_PACKED
        assert read(told[:-2], LANCE).reason is R.PACKED_WET
    else:
        assert seen.reason is reason
    assert seen.what_to_do == ADVICE[seen.reason].what_to_do


@pytest.mark.parametrize("word", ["load_failed", "recalled"])
def test_a_failed_or_recalled_load_takes_back_what_is_ready(word):
    told = [*sterilised(0), event(word, 4000, agent_id=LOAD)]
    seen = read(told)
    assert (seen.is_cleared, seen.reason.value) == (False, word)
    # Another load's trouble is not this one's.
    assert track([*sterilised(0), event(word, 4000, agent_id=OTHER_LOAD)]).may_be_used
    # Done again, it is cleared again.
    assert track([*told, *sterilised(5000, load=OTHER_LOAD)]).may_be_used


def test_a_recall_touches_neither_a_running_soak_nor_what_is_in_use():
    soaking = [*sterilised(0), event("used", 4000, visit_id=ANNA), *cleaned(4100), immersed(4100)]
    assert track([*soaking, event("recalled", 4200, agent_id=LOAD)]).state is S.DISINFECTING
    in_use = [*sterilised(0), event("used", 4000, visit_id=ANNA)]
    seen = track([*in_use, event("recalled", 4200, agent_id=LOAD)])
    assert (seen.state, seen.load_id) == (S.IN_USE, LOAD)


@pytest.mark.parametrize(("seconds", "usable"), [(7199, True), (7200, False)])
def test_shelf_life_counts_to_the_second_with_or_without_a_sweep(seconds, usable):
    told = sterilised(0, keeps_until=at(7200))
    seen = clearance(track(told), as_of=at(seconds), agents=AGENTS)
    assert (seen.may_be_used, seen.is_cleared) == (usable, usable)
    assert seen.reason is (R.READY if usable else R.SHELF_LIFE_OVER)
    swept = track([*told, event("shelf_life_over", seconds)])
    assert swept.may_be_used is usable
    used = track([*told, event("used", seconds, visit_id=ANNA)])
    assert (used.state is S.IN_USE) is usable
    assert used.flaw is (None if usable else R.USED_UNCLEARED)


@pytest.mark.parametrize("word", ["pouch_opened", "rinsed", "put_with_soiled", "blood_seen"])
def test_an_opened_pouch_is_not_ready(word):
    for told in (sterilised(0, LANCE), sterilised(0, LANCE)[:-1], sterilised(0, LANCE)[:-2]):
        assert not track([*told, event(word, 4000, LANCE)], LANCE).is_cleared


def test_a_sterile_thing_taken_out_rinsed_dried_and_stored_is_not_ready():
    told = [*sterilised(0, LANCE), *(event(w, 4000, LANCE) for w in ("rinsed", "dried"))]
    assert not track([*told, event("stored", 4000, LANCE, covered=True)], LANCE).may_be_used


def test_a_box_of_ultraviolet_light_is_a_place_to_store_and_nothing_else():
    # Putting it there is being stored, covered: it clears nothing that was not cleared before.
    stored = event("stored", 100, LANCE, covered=True)
    assert read([*cleaned(0, LANCE), stored], LANCE).reason is R.STORED_UNCLEARED
    assert track([*sterilised(0, LANCE), event("stored", 4000, LANCE)], LANCE).may_be_used


def test_what_must_not_get_into_a_steriliser():
    told = [event("wiped", 0, LAMP), event("packed", 10, LAMP)]
    assert read(told, LAMP).reason is R.NOT_FOR_STERILISING
    assert not track([*told, event("loaded", 20, LAMP, agent_id=LOAD)], LAMP).is_cleared


def test_a_disinfected_dry_thing_may_be_packed_and_a_wet_one_may_not():
    dry = [*way_back()[:-1], event("packed", 700)]
    assert track(dry).state is S.PACKED
    wet = [*cleaned(0), immersed(0), event("lifted", 10), event("packed", 20)]
    assert read(wet).reason is R.PACKED_WET


@settings(deadline=None)
@given(events(who=(TWEEZERS,)), st.integers(1, 100))
def test_ready_from_a_load_only_with_pack_load_and_release_in_a_row(happened, late):
    """Read backwards from `ready` with a load: an independent reading of the same day."""
    found = track(happened)
    if found.state is not S.READY or found.load_id is None:
        return
    own = [e for e in happened if e.implement_id == TWEEZERS]
    released = max(n for n, e in enumerate(own) if e.kind is E.STERILISED and e.agent_id == found.load_id)  # fmt: skip
    loaded = max(n for n, e in enumerate(own[:released]) if e.kind is E.LOADED)
    packed = max(n for n, e in enumerate(own[:loaded]) if e.kind is E.PACKED)
    assert own[loaded].agent_id == found.load_id
    undoing = {E.USED, E.WASHED, E.BLOOD_SEEN, E.PUT_WITH_SOILED, E.RINSED, E.POUCH_OPENED}
    assert not {e.kind for e in own[packed:]} & undoing
    assert E.WASHED in {e.kind for e in own[:packed]}


@settings(deadline=None)
@given(events(who=(TWEEZERS, LANCE)), st.sampled_from([TWEEZERS, LANCE]))
def test_the_right_way_through_a_load_always_clears(happened, who):
    clean = [e for e in happened if e.kind is not E.TAKEN_OUT_OF_USE]
    fresh = replace(event("loaded", 0, agent_id=LOAD), agent_id=BATH).agent_id
    assert track([*clean, *sterilised(200_000, who, load=fresh)], who).may_be_used


@settings(deadline=None)
@given(events(who=(LANCE,), kinds=tuple(k for k in EventKind if k is not E.STERILISED)))
def test_without_a_release_nothing_that_must_be_sterilised_is_cleared(happened):
    assert not track(happened, LANCE).is_cleared


def test_every_new_event_needs_what_it_is_about():
    for kind in (E.LOADED, E.STERILISED, E.LOAD_FAILED, E.RECALLED):
        with pytest.raises(ValueError, match="needs the bath or load"):
            Event(kind=kind, at=at(0) + timedelta(seconds=1), implement_id=TWEEZERS)
