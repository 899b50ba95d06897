"""Every step but immersing: what one event makes of one implement.

Nothing is refused here: a step out of order leaves a flaw, or the state as it was.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta

from compliance.disinfection.rules.contact import (
    UNCLEANED,
    WET_FROM_WASH,
    contact_started,
    refusal,
)
from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.reprocessing import (
    CONTACT_MET,
    DRYING_SECONDS_AT_LEAST,
    Event,
    EventKind,
    ImplementClass,
    ImplementState,
)
from compliance.disinfection.rules.sterilising_steps import STERILISING_STEPS
from compliance.disinfection.rules.tracks import Agents, Bath, Track, moved

_S = ImplementState
_E = EventKind


def _used(track: Track, event: Event, _: Agents) -> Track:
    if track.state is _S.IN_USE and event.visit_id is not None and track.visit_id == event.visit_id:
        return track
    used = replace(track, visit_id=event.visit_id, parts_off=False)
    if track.may_be_used_at(event.at):
        return moved(used, _S.IN_USE, event.at)
    state = _S.OUT_OF_USE if track.state is _S.OUT_OF_USE else _S.SOILED
    return moved(used, state, event.at, Reason.USED_UNCLEARED)


def _blood_seen(track: Track, event: Event, agents: Agents) -> Track:
    return replace(_put_with_soiled(track, event, agents), blood=True)


def _put_with_soiled(track: Track, event: Event, _: Agents) -> Track:
    if track.state in {_S.SOILED, _S.OUT_OF_USE}:
        return track
    return moved(track, _S.SOILED, event.at)


def _parts_removed(track: Track, _: Event, __: Agents) -> Track:
    mended = None if track.flaw is Reason.PARTS_NOT_REMOVED else track.flaw
    return replace(track, parts_off=True, flaw=mended)


def _lacks_parts_off(track: Track) -> bool:
    return track.kind is ImplementClass.ELECTRICAL_WITH_REMOVABLE_PARTS and not track.parts_off


def _washed(track: Track, event: Event, _: Agents) -> Track:
    if track.state is _S.OUT_OF_USE:
        return track
    if _lacks_parts_off(track):
        return moved(track, _S.SOILED, event.at, Reason.PARTS_NOT_REMOVED)
    return moved(track, _S.WASHED, event.at)


def _rinsed(track: Track, event: Event, _: Agents) -> Track:
    if track.in_pouch:  # it was taken out, and is wet
        return moved(track, _S.WASH_RINSED, event.at, Reason.POUCH_OPENED)
    if track.state in {_S.WASHED, _S.CLEANED}:
        return moved(track, _S.WASH_RINSED, event.at)
    if track.state in {_S.DISINFECTED, _S.DRIED, _S.READY}:
        return moved(track, _S.RINSED, event.at)
    if track.state is _S.SOILED:
        return replace(track, flaw=track.flaw or Reason.NOT_WASHED)
    return track


def _dried(track: Track, event: Event, _: Agents) -> Track:
    if track.state is _S.WASH_RINSED:
        return moved(track, _S.CLEANED, event.at)
    if track.state is _S.RINSED:
        return moved(track, _S.DRIED, event.at)
    if track.state is not _S.DISINFECTED:
        return track
    if not track.kind.is_wiped:
        return replace(track, flaw=Reason.FINAL_RINSE_SKIPPED)
    drying = timedelta(seconds=DRYING_SECONDS_AT_LEAST)
    if track.due_at is None or event.at < track.due_at + drying:
        return replace(track, flaw=Reason.STILL_DRYING)
    return moved(track, _S.DRIED, event.at)


def _wiped(track: Track, event: Event, agents: Agents) -> Track:
    if track.state is _S.OUT_OF_USE:
        return track
    if not track.kind.is_wiped:
        return _wiped_in_vain(track, event)
    if track.state in UNCLEANED | WET_FROM_WASH:  # the first wipe cleans
        if _lacks_parts_off(track):
            return moved(track, _S.SOILED, event.at, Reason.PARTS_NOT_REMOVED)
        return moved(track, _S.CLEANED, event.at)
    agent = agents.get(event.agent_id) if event.agent_id else None
    flaw = refusal(track, event, agent, Bath())
    if flaw is not None:
        return moved(track, _S.CLEANED, event.at, flaw)
    return contact_started(track, event, agent)


def _wiped_in_vain(track: Track, event: Event) -> Track:
    if track.state is _S.IN_USE:
        return track
    needs_heat = track.kind is ImplementClass.MUST_BE_STERILISED
    flaw = Reason.NEEDS_STERILISING if needs_heat else Reason.NEEDS_IMMERSION
    return moved(track, _S.SOILED if track.state in CONTACT_MET else track.state, event.at, flaw)


def _re_wetted(track: Track, event: Event, agents: Agents) -> Track:
    was_wet = track.state is _S.DISINFECTING or track.flaw is Reason.DRIED_EARLY
    if not (track.kind.is_wiped and was_wet):
        return track
    with_agent = replace(event, agent_id=event.agent_id or track.agent_id)
    return _wiped(track, with_agent, agents)


def _stored(track: Track, event: Event, _: Agents) -> Track:
    # A closed pouch is its cover; a UV box is a place to store things and clears nothing.
    if track.state is _S.OUT_OF_USE or track.is_sterile:
        return track
    if track.state not in CONTACT_MET:
        state = _S.SOILED if track.state is _S.IN_USE else track.state
        return moved(track, state, event.at, track.flaw or Reason.STORED_UNCLEARED)
    if not event.covered:
        return moved(track, _S.SOILED, event.at, Reason.STORED_UNCOVERED)
    if track.state is _S.DRIED:
        return replace(moved(track, _S.READY, event.at), blood=False, parts_off=False)
    return track if track.state is _S.READY else replace(track, flaw=_storing_flaw(track))


def _storing_flaw(track: Track) -> Reason:
    if track.state is _S.RINSED:
        return Reason.STORED_WET
    return Reason.STILL_DRYING if track.kind.is_wiped else Reason.FINAL_RINSE_SKIPPED


def _no_further(track: Track, _: Event, __: Agents) -> Track:
    """Lifting and drying out do nothing beyond ending a contact, which `apply` has done."""
    return track


def _taken_out_of_use(track: Track, event: Event, _: Agents) -> Track:
    return moved(track, _S.OUT_OF_USE, event.at, track.flaw)


def _brought_back(track: Track, event: Event, _: Agents) -> Track:
    return moved(track, _S.SOILED, event.at) if track.state is _S.OUT_OF_USE else track


STEPS: Mapping[EventKind, Callable[[Track, Event, Agents], Track]] = {
    _E.USED: _used,
    _E.BLOOD_SEEN: _blood_seen,
    _E.PUT_WITH_SOILED: _put_with_soiled,
    _E.PARTS_REMOVED: _parts_removed,
    _E.WASHED: _washed,
    _E.RINSED: _rinsed,
    _E.DRIED: _dried,
    _E.LIFTED: _no_further,
    _E.WENT_DRY: _no_further,
    _E.WIPED: _wiped,
    _E.RE_WETTED: _re_wetted,
    _E.STORED: _stored,
    _E.TAKEN_OUT_OF_USE: _taken_out_of_use,
    _E.BROUGHT_BACK: _brought_back,
    **STERILISING_STEPS,
}
