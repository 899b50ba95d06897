"""Implements on their way back: published sequences and what goes wrong on the bench."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from compliance.disinfection.rules.clearance import apply, clearance, derive, kit_may_be_used
from compliance.disinfection.rules.guidance import ADVICE, Reason
from compliance.disinfection.rules.reprocessing import (
    Event,
    EventKind,
    ImplementClass,
    ImplementState,
    contact_seconds_needed,
    floors_from,
)
from compliance.disinfection.rules.single_use import LaidOut, SingleUseFate, fate
from tests.disinfection.rules.bench import (
    AGENTS,
    ANNA,
    BATH,
    BEN,
    KINDS,
    LAMP,
    LANCE,
    NINE,
    OTHER_BATH,
    SCISSORS,
    TWEEZERS,
    WIPE,
    agent,
    at,
    cleaned,
    event,
    immersed,
    put_away,
    read,
    track,
    way_back,
    wiped,
)

S, R = ImplementState, Reason


def test_an_implement_nobody_vouched_for_is_soiled():
    found = read([])
    assert (found.state, found.reason, found.is_cleared) == (S.SOILED, R.CLEAN_NEXT, False)


def test_the_published_sequence_leads_to_ready():
    # 1.02, 18VAC41-20-270(B): wash, rinse, dry, immerse >= 10 min, rinse, dry, covered
    seen = []
    bench = derive(KINDS, [], AGENTS)
    for each in way_back():
        bench = apply(bench, each, AGENTS)
        seen.append(bench.tracks[TWEEZERS].state)
    assert seen == [
        S.WASHED,
        S.WASH_RINSED,
        S.CLEANED,
        S.DISINFECTING,
        S.DISINFECTED,
        S.RINSED,
        S.DRIED,
        S.READY,
    ]
    found = clearance(bench.tracks[TWEEZERS], as_of=at(601), agents=AGENTS)
    assert found.may_be_used
    assert found.is_cleared
    assert found.reason is R.READY


@pytest.mark.parametrize(
    ("soak", "contact", "is_cleared"),
    [
        # 1.02, 18VAC41-20-270(B) and 1.03, 19 NYCRR 160.17(c): 10 min
        (timedelta(minutes=9, seconds=59), 600, False),
        (timedelta(minutes=10) - timedelta(microseconds=1), 600, False),
        (timedelta(minutes=10), 600, True),
        # 4.03, WHO 2014, Annex G: 30 min of immersion
        (timedelta(minutes=29, seconds=59), 1800, False),
        (timedelta(minutes=30), 1800, True),
        # 1.04, 19 NYCRR 160.17(b): 10 h
        (timedelta(hours=10) - timedelta(seconds=1), 36_000, False),
        (timedelta(hours=10), 36_000, True),
    ],
)
def test_contact_time_to_the_second(soak, contact, is_cleared):
    agents = {BATH: agent(contact=contact)}
    lifted = Event(kind=EventKind.LIFTED, at=NINE + soak, implement_id=TWEEZERS)
    found = track([*cleaned(0), immersed(0), lifted], agents=agents)
    assert found.is_cleared is is_cleared
    away = track([*cleaned(0), immersed(0), lifted, *put_away(40_000)], agents=agents)
    assert away.may_be_used is is_cleared


def test_an_early_lift_is_recorded_and_says_what_to_do():
    found = read([*cleaned(0), immersed(0), event("lifted", 599)])
    assert (found.state, found.reason, found.is_cleared) == (S.CLEANED, R.LIFTED_EARLY, False)
    assert "Immerse it again" in found.what_to_do
    again = [*cleaned(0), immersed(0), event("lifted", 599), immersed(600), event("lifted", 1200)]
    assert track(again).is_cleared


def test_reading_a_running_soak():
    events = [*cleaned(0), immersed(0)]
    early = read(events, as_of=599)
    assert (early.reason, early.seconds_left, early.due_at) == (R.CONTACT_RUNNING, 1, at(600))
    assert not early.is_cleared
    due = read(events, as_of=600)
    assert (due.reason, due.seconds_left) == (R.CONTACT_COMPLETE, 0)


@pytest.mark.parametrize(
    ("label", "floors", "needed"),
    [
        # 13: 10 min floor (New York) against label time alone (Oklahoma, Wyoming)
        (60, [600], 600),
        (1200, [600], 1200),
        (60, [], 60),
        (None, [600], None),
        (0, [600], None),
    ],
)
def test_the_contact_time_that_counts(label, floors, needed):
    assert contact_seconds_needed(label_seconds=label, floors_seconds=floors) == needed


def test_floors_are_for_their_method():
    rows = [{"method": "immersion", "seconds": 600, "citation": "19 NYCRR 160.17(c)"}]
    assert floors_from(rows, method="immersion") == (600,)
    assert floors_from(rows, method="wipe") == ()


def test_adding_restarts_everything_in_the_bath():
    events = [
        *cleaned(0),
        *cleaned(0, SCISSORS),
        immersed(0),
        immersed(300, SCISSORS),
        event("lifted", 899),
    ]
    assert track(events).flaw is R.LIFTED_EARLY
    assert track([*events[:-1], event("lifted", 900)]).is_cleared
    untagged = [*cleaned(0), immersed(0), event("added_to_soak", 599, agent_id=BATH, cleaned=True)]
    assert read(untagged, as_of=700).due_at == at(1199)


def test_another_bath_is_not_disturbed():
    events = [
        *cleaned(0),
        *cleaned(0, SCISSORS),
        immersed(0),
        immersed(300, SCISSORS, bath=OTHER_BATH),
        event("lifted", 600),
    ]
    assert track(events).is_cleared


@pytest.mark.parametrize("bad", ["uncleaned", "bloody", "untagged"])
def test_an_uncleaned_or_bloody_item_voids_the_bath(bad):
    # common practice, no source
    story = {
        "uncleaned": [immersed(700, SCISSORS)],
        "bloody": [
            *cleaned(0, SCISSORS),
            event("blood_seen", 1, SCISSORS),
            immersed(700, SCISSORS),
        ],
        "untagged": [event("added_to_soak", 700, agent_id=BATH)],
    }[bad]
    # the tweezers had their time at 600, but were still inside
    events = [*cleaned(0), immersed(0), *story, event("lifted", 1400)]
    found = read(events)
    assert (found.state, found.reason) == (S.SOILED, R.BATH_VOIDED)
    # and nothing put into it afterwards is cleared either
    assert not track([*story, *way_back(800)]).is_cleared
    assert track([*story, *way_back(800, bath=OTHER_BATH)]).may_be_used


@pytest.mark.parametrize(
    ("ends", "is_cleared"), [(600, True), (599, False), (0, False), (None, True)]
)
def test_the_bath_must_outlast_the_contact(ends, is_cleared):
    found = track(way_back(), agents={BATH: agent(ends=ends)})
    assert found.may_be_used is is_cleared


def test_a_bath_that_ends_mid_soak_is_named_at_once():
    agents = {BATH: agent(ends=300)}
    events = [*cleaned(0), immersed(0)]
    assert read(events, as_of=1, agents=agents).reason is R.SOLUTION_ENDED
    assert track([*events, event("lifted", 5000)], agents=agents).flaw is R.SOLUTION_ENDED
    # what had its time before the bath ended may be lifted later
    agents = {BATH: agent(ends=700)}
    assert track([*events, event("lifted", 5000)], agents=agents).is_cleared


@pytest.mark.parametrize(
    ("bath", "reason"),
    [
        (agent(contact=None), R.NO_LABEL_CONTACT_TIME),
        (agent(as_label=False), R.SOLUTION_NOT_AS_LABEL),
        (agent(ends=0), R.SOLUTION_ENDED),
        (agent(uses_allowed=0), R.SOLUTION_USED_UP),
        (agent(OTHER_BATH), R.AGENT_UNKNOWN),
        (agent(is_bath=False), R.NOT_MIXED),
    ],
)
def test_a_bath_that_clears_nothing(bath, reason):
    found = read([*cleaned(0), immersed(0), event("lifted", 9000)], agents={bath.id: bath})
    assert (found.is_cleared, found.reason) == (False, reason)


def test_no_contact_begins_before_the_bath_was_mixed_or_from_its_end_on():
    late = {BATH: replace(agent(), usable_from=at(1))}
    assert track([*cleaned(0), immersed(0)], agents=late).flaw is R.SOLUTION_ENDED
    assert track([*cleaned(0), immersed(1)], agents=late).state is S.DISINFECTING
    ended = {BATH: agent(ends=1)}
    assert track([*cleaned(0), immersed(0)], agents=ended).state is S.DISINFECTING
    assert track([*cleaned(0), immersed(1)], agents=ended).state is S.CLEANED


def test_moved_to_another_bath_it_starts_from_nothing():
    events = [*cleaned(0), immersed(0), immersed(590, bath=OTHER_BATH)]
    assert not track([*events, event("lifted", 1189)]).is_cleared
    assert track([*events, event("lifted", 1190)]).is_cleared
    # and what goes into the first bath now does not disturb it
    events.append(event("added_to_soak", 700, agent_id=BATH))
    assert track([*events, event("lifted", 1190)]).is_cleared


def test_a_voided_bath_brings_nothing_back_into_use():
    events = [event("taken_out_of_use", 0), immersed(1), immersed(2, SCISSORS)]
    assert track(events).state is S.OUT_OF_USE


@pytest.mark.parametrize(("apart", "is_cleared"), [(0, True), (1, False)])
def test_a_label_for_each_batch_takes_all_that_goes_in_at_once(apart, is_cleared):
    # 1.13, US EPA DIS/TSS-15 item 7: the label says each batch, each day or N days
    agents = {BATH: agent(uses_allowed=1)}
    events = [
        *cleaned(0), *cleaned(0, SCISSORS), immersed(10), immersed(10 + apart, SCISSORS),
        event("lifted", 700), event("lifted", 700, SCISSORS),
    ]  # fmt: skip
    assert track(events, SCISSORS, agents=agents).is_cleared is is_cleared


def test_blood_seen_on_what_lies_in_a_bath_voids_it_and_all_in_it():
    # Common practice, no source: a bloody item voids the bath and what is in it.
    both = [*cleaned(0), *cleaned(0, SCISSORS), immersed(0), immersed(0, SCISSORS)]
    seen = [*both, event("blood_seen", 300), event("lifted", 900, SCISSORS)]
    found = read(seen, SCISSORS)
    assert (found.is_cleared, found.reason) == (False, R.BATH_VOIDED)
    assert track(seen).blood
    later = [*seen, *way_back(1000, implement=SCISSORS)]
    assert not track(later, SCISSORS).may_be_used
    # Out of the bath it is a matter of that implement alone.
    lifted = [*both, event("lifted", 600), event("blood_seen", 700), event("lifted", 900, SCISSORS)]
    assert read(lifted, SCISSORS).is_cleared


@pytest.mark.parametrize(("needs_water", "is_cleared"), [(False, True), (True, False)])
def test_a_concentrate_as_it_comes_wipes_nothing_clean(needs_water, is_cleared):
    agents = {WIPE: agent(WIPE, contact=120, is_bath=False, needs_water=needs_water)}
    found = read([wiped(0), wiped(1), event("dried", 241, LAMP)], LAMP, agents=agents)
    assert found.is_cleared is is_cleared
    assert (found.reason is R.NOT_MIXED) is not is_cleared


def test_the_number_of_uses_is_counted():
    agents = {BATH: agent(uses_allowed=1)}
    events = [*way_back(), *way_back(2000, implement=SCISSORS)]
    assert track(events, agents=agents).may_be_used
    assert not track(events, SCISSORS, agents=agents).may_be_used
    assert track(events[:-3], SCISSORS, agents=agents).flaw is R.SOLUTION_USED_UP


@pytest.mark.parametrize(
    ("events", "reason"),
    [
        ([immersed(0), event("lifted", 600)], R.NOT_CLEANED),
        ([event("washed", 0), immersed(0), event("lifted", 600)], R.NOT_RINSED_AND_DRIED),
        (
            [event("washed", 0), event("rinsed", 0), immersed(0), event("lifted", 600)],
            R.NOT_RINSED_AND_DRIED,
        ),
        ([event("rinsed", 0)], R.NOT_WASHED),
        ([*cleaned(0), immersed(0, fully_open=False), event("lifted", 600)], R.NOT_FULLY_OPEN),
        ([*cleaned(0), event("wiped", 0, agent_id=WIPE)], R.NEEDS_IMMERSION),
        ([*cleaned(0), event("stored", 0, covered=True)], R.STORED_UNCLEARED),
    ],
)
def test_the_wrong_order_is_not_cleared(events, reason):
    found = read(events)
    assert (found.is_cleared, found.reason) == (False, reason)


@pytest.mark.parametrize(
    ("after", "reason"),
    [
        (["stored"], R.FINAL_RINSE_SKIPPED),
        (["dried"], R.FINAL_RINSE_SKIPPED),
        (["rinsed", "stored"], R.STORED_WET),
    ],
)
def test_a_skipped_last_step_is_not_cleared_until_it_is_made_good(after, reason):
    # 1.02, 18VAC41-20-270(B): then rinse and dry again, covered
    events = [*cleaned(0), immersed(0), event("lifted", 600)]
    events += [event(kind, 601, covered=True) for kind in after]
    found = read(events)
    assert (found.is_cleared, found.may_be_used, found.reason) == (False, False, reason)
    assert track([*events, *put_away(700)]).may_be_used


def test_wiping_an_immersed_implement_costs_its_clearance():
    events = [*way_back()[:-1], event("wiped", 700, agent_id=WIPE)]
    assert track(events).state is S.SOILED
    assert not track([*events, event("stored", 701, covered=True)]).may_be_used


def test_stored_uncovered_counts_as_soiled():
    # 1.17, 16 CCR 979 (older text): a clean, covered, marked place; soiled again is house policy
    events = [*way_back(), event("stored", 700, covered=False)]
    assert read(events).reason is R.STORED_UNCOVERED
    assert track(events).state is S.SOILED


def test_opening_a_closed_hinge_starts_the_time_anew():
    events = [*cleaned(0), immersed(0, fully_open=False), immersed(60)]
    assert not track([*events, event("lifted", 659)]).is_cleared
    assert track([*events, event("lifted", 660)]).is_cleared


def test_rinsed_straight_from_the_bath_is_a_lift():
    events = [*cleaned(0), immersed(0)]
    assert track([*events, event("rinsed", 599)]).state is S.WASH_RINSED
    assert track([*events, event("rinsed", 600)]).state is S.RINSED


# Not immersible -----------------------------------------------------------------------------


def lamp(*events, **more):
    return read(list(events), LAMP, **more)


def test_first_wipe_cleans_second_disinfects_then_it_dries():
    assert lamp(wiped(0)).state is S.CLEANED
    assert lamp(wiped(0), wiped(10)).state is S.DISINFECTING
    # wet 120 s by its label, then 2 min at least to dry (common practice, no source)
    almost = [wiped(0), wiped(10), event("dried", 249, LAMP)]
    assert lamp(*almost).reason is R.STILL_DRYING
    assert not lamp(*almost).is_cleared
    dry = [*almost[:2], event("dried", 250, LAMP)]
    assert lamp(*dry).state is S.DRIED
    assert lamp(*dry, event("stored", 251, LAMP, covered=True)).may_be_used
    assert not lamp(*almost[:2], event("stored", 251, LAMP, covered=True)).may_be_used


def test_wet_time_counts_and_not_elapsed_time():
    # 2.03, 2.04, Okla. 175:10-7-5(f)-(g): visibly moist for the full label time; 2.08 re-wet
    dried_out = [wiped(0), wiped(10), event("went_dry", 129, LAMP)]
    assert lamp(*dried_out).reason is R.DRIED_EARLY
    assert not lamp(*dried_out, event("dried", 5000, LAMP)).is_cleared
    again = [*dried_out, event("re_wetted", 200, LAMP)]
    assert lamp(*again, as_of=210).due_at == at(320)
    assert not lamp(*again, event("went_dry", 319, LAMP)).is_cleared
    assert lamp(*again, event("went_dry", 320, LAMP)).is_cleared


def test_re_wetting_always_starts_over():
    events = [wiped(0), wiped(10), event("re_wetted", 100, LAMP)]
    assert lamp(*events, as_of=101).due_at == at(220)
    assert lamp(event("re_wetted", 0, LAMP)).state is S.SOILED
    soiled_again = [event("stored", 300, LAMP), event("re_wetted", 301, LAMP, agent_id=WIPE)]
    assert lamp(wiped(0), wiped(10), event("dried", 250, LAMP), *soiled_again).state is S.SOILED


def test_a_wipe_without_label_time_clears_nothing():
    agents = {WIPE: agent(WIPE, contact=None)}
    found = lamp(wiped(0), wiped(10), event("dried", 9000, LAMP), agents=agents)
    assert (found.is_cleared, found.reason) == (False, R.NO_LABEL_CONTACT_TIME)


def test_immersing_what_must_not_be_immersed():
    found = lamp(wiped(0), immersed(10, LAMP), event("lifted", 900, LAMP))
    assert (found.state, found.reason) == (S.SOILED, R.NOT_FOR_IMMERSION)


def test_scissors_for_wiping_may_be_washed_first():
    # 2.01, California board advice page: debris off, wash, then spray or wipe, wet for label time
    events = [*cleaned(0, LAMP), wiped(10), event("dried", 250, LAMP)]
    assert lamp(*events).state is S.DRIED


def test_removable_parts_come_off_first():
    # 2.05, Okla. 175:10-7-6(l)
    kinds = {LAMP: ImplementClass.ELECTRICAL_WITH_REMOVABLE_PARTS}
    assert lamp(wiped(0), kinds=kinds).reason is R.PARTS_NOT_REMOVED
    whole = [event("parts_removed", 1, LAMP), wiped(2), wiped(3), event("dried", 243, LAMP)]
    assert lamp(*whole, kinds=kinds).state is S.DRIED
    stored = [*whole, event("stored", 250, LAMP, covered=True)]
    used = [*stored, event("used", 300, LAMP, visit_id=ANNA)]
    assert lamp(*used, wiped(400), kinds=kinds).reason is R.PARTS_NOT_REMOVED
    halfway = [*whole[:2], event("used", 300, LAMP, visit_id=ANNA)]
    assert lamp(*halfway, wiped(400), kinds=kinds).reason is R.PARTS_NOT_REMOVED
    unused = [*stored, event("put_with_soiled", 300, LAMP)]
    assert lamp(*unused, wiped(400), kinds=kinds).reason is R.PARTS_NOT_REMOVED


def test_what_must_be_sterilised_is_not_cleared_by_bath_or_wipe():
    # 1.19, OAR 817-010-0068(7): sharp or pointed tools
    soaked = read(way_back(implement=LANCE)[:5], LANCE)
    assert (soaked.is_cleared, soaked.reason) == (False, R.NEEDS_STERILISING)
    assert read(cleaned(0, LANCE), LANCE).reason is R.NEEDS_STERILISING
    assert not track(way_back(implement=LANCE), LANCE).may_be_used
    assert not read([wiped(0, LANCE), wiped(1, LANCE)], LANCE).is_cleared


# Use and blood ------------------------------------------------------------------------------


def test_used_once_cleared_and_soiled_from_then_on():
    ready = way_back()
    opened = [*ready, event("used", 700, visit_id=ANNA)]
    assert track(opened).state is S.IN_USE
    assert not track(opened).is_cleared
    assert track([*opened, event("used", 800, visit_id=ANNA)]).flaw is None
    next_client = track([*opened, event("used", 800, visit_id=BEN)])
    assert (next_client.state, next_client.flaw) == (S.SOILED, R.USED_UNCLEARED)
    assert track([*opened, event("put_with_soiled", 900)]).state is S.SOILED


@pytest.mark.parametrize("length", range(1, 8))
def test_use_before_the_way_back_is_done_is_recorded(length):
    events = [*way_back()[:length], event("used", 5000, visit_id=ANNA)]
    found = track(events)
    assert (found.state, found.flaw) == (S.SOILED, R.USED_UNCLEARED)


def test_after_blood_only_a_hospital_type_agent_clears():
    # common practice; for surfaces 10.02, Mich. R 339.6039: bleach or hospital agent
    events = [*way_back(), event("blood_seen", 700), *way_back(800)]
    assert not track(events).may_be_used
    hospital = {BATH: agent(hospital_type=True)}
    assert track(events, agents=hospital).may_be_used
    # the stricter way is over once it was gone through
    ordinary = [*events, *way_back(2000, bath=OTHER_BATH)]
    assert track(ordinary, agents={**AGENTS, **hospital}).may_be_used
    assert not track([*events[:9], *way_back(2000)[3:]], agents=hospital).may_be_used


def test_out_of_use_stays_out_until_brought_back_by_name():
    events = [*way_back(), event("taken_out_of_use", 700), *way_back(800)]
    assert track(events).state is S.OUT_OF_USE
    assert track([*events, event("brought_back", 3000)]).state is S.SOILED


def test_a_kit_is_ready_when_all_of_it_is():
    both = derive(
        {TWEEZERS: KINDS[TWEEZERS], SCISSORS: KINDS[SCISSORS]},
        [*way_back(), *way_back(2000, implement=SCISSORS)],
        AGENTS,
    ).tracks
    assert kit_may_be_used(both.values())
    assert not kit_may_be_used([both[TWEEZERS], track([])])
    assert not kit_may_be_used([])


# Form ---------------------------------------------------------------------------------------


def test_events_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="aware"):
        Event(kind=EventKind.LIFTED, at=datetime(2026, 3, 2, 9), implement_id=TWEEZERS)
    with pytest.raises(ValueError, match="no implement"):
        Event(kind=EventKind.LIFTED, at=NINE)
    with pytest.raises(ValueError, match="no implement"):
        Event(kind=EventKind.ADDED, at=NINE, implement_id=TWEEZERS, agent_id=BATH)
    with pytest.raises(ValueError, match="bath"):
        Event(kind=EventKind.IMMERSED, at=NINE, implement_id=TWEEZERS)
    with pytest.raises(ValueError, match="not on the bench"):
        derive({}, way_back(), AGENTS)


def test_local_instants_are_the_same_instants():
    fall_back = datetime.fromisoformat("2026-11-01T01:55:00-05:00")
    lifted = datetime.fromisoformat("2026-11-01T01:05:00-06:00")  # ten minutes later
    clean = [
        Event(kind=EventKind(k), at=fall_back, implement_id=TWEEZERS)
        for k in ("washed", "rinsed", "dried")
    ]
    soak = Event(
        kind=EventKind.IMMERSED, at=fall_back, implement_id=TWEEZERS, agent_id=BATH, fully_open=True
    )
    out = Event(kind=EventKind.LIFTED, at=lifted, implement_id=TWEEZERS)
    assert out.at.tzinfo is UTC
    assert track([*clean, soak, out]).is_cleared


def test_every_reason_has_advice_and_a_basis():
    assert set(ADVICE) == set(Reason)
    assert all(advice.what_to_do and advice.basis for advice in ADVICE.values())


@pytest.mark.parametrize(
    ("was_used", "covered", "clean_hands", "expected"),
    [
        # 3.01, 16 CCR 981(a): out after one client; what goes back is common practice, no source
        (True, True, True, SingleUseFate.DISCARD),
        (False, False, True, SingleUseFate.DISCARD),
        (False, True, False, SingleUseFate.DISCARD),
        (False, True, True, SingleUseFate.BACK_TO_STOCK),
    ],
)
def test_single_use(was_used, covered, clean_hands, expected):
    item = LaidOut(was_used=was_used, stayed_covered=covered, taken_with_clean_hands=clean_hands)
    assert fate(item) is expected
    assert fate(LaidOut(was_used=False)) is SingleUseFate.DISCARD
