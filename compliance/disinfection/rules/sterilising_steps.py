"""Packing and sterilising: what one event makes of one implement.

A pouch goes into a load clean and dry and comes out cleared only when the load is released. Nothing
is refused here: a step out of order leaves a flaw, or the state as it was.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from compliance.disinfection.rules.contact import UNCLEANED
from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.reprocessing import (
    CONTACT_MET,
    Event,
    EventKind,
    ImplementState,
)
from compliance.disinfection.rules.tracks import Agents, Track, moved

_S = ImplementState
_E = EventKind
# Flaws of something that is clean and dry all the same; any other one of a clean implement is wet.
_DRY = frozenset(
    {None, Reason.LOAD_FAILED, Reason.POUCH_OPENED, Reason.SHELF_LIFE_OVER, Reason.NOT_PACKED}
)


def _packed(track: Track, event: Event, _: Agents) -> Track:
    if track.state is _S.OUT_OF_USE:
        return track
    flaw = _packing_flaw(track)
    if flaw is None:
        return moved(track, _S.PACKED, event.at)
    state = _S.SOILED if track.state is _S.IN_USE else track.state
    return moved(track, state, event.at, flaw)


def _packing_flaw(track: Track) -> Reason | None:
    if track.kind.is_wiped:
        return Reason.NOT_FOR_STERILISING
    if track.state in UNCLEANED:
        return Reason.PACKED_UNCLEANED
    if track.in_pouch or track.state in {_S.DRIED, _S.READY}:
        return None
    return None if track.state is _S.CLEANED and track.flaw in _DRY else Reason.PACKED_WET


def _loaded(track: Track, event: Event, _: Agents) -> Track:
    if track.state is _S.OUT_OF_USE:
        return track
    if track.state is _S.STERILISING and track.load_id == event.agent_id:
        return track
    if track.state is _S.PACKED:
        return moved(replace(track, load_id=event.agent_id), _S.STERILISING, event.at)
    if track.state in UNCLEANED:
        return moved(track, _S.SOILED, event.at, Reason.LOADED_UNCLEANED)
    # Through the heat without a fresh pouch: no longer in one that counts.
    was_past_cleaning = track.state in CONTACT_MET | {_S.STERILISING}
    state = _S.CLEANED if was_past_cleaning else track.state
    flaw = Reason.NOT_FOR_STERILISING if track.kind.is_wiped else Reason.NOT_PACKED
    return moved(track, state, event.at, flaw)


def _of_this_load(track: Track, event: Event) -> bool:
    in_or_from = track.state in {_S.STERILISING, _S.READY}
    return in_or_from and track.load_id is not None and track.load_id == event.agent_id


def _sterilised(track: Track, event: Event, _: Agents) -> Track:
    if track.state is not _S.STERILISING or not _of_this_load(track, event):
        return track
    released = replace(track, blood=False, parts_off=False)
    return replace(moved(released, _S.READY, event.at), keeps_until=event.keeps_until)


def _load_failed(track: Track, event: Event, _: Agents) -> Track:
    if not _of_this_load(track, event):
        return track
    return moved(track, _S.CLEANED, event.at, Reason.LOAD_FAILED)


def _recalled(track: Track, event: Event, _: Agents) -> Track:
    # What was used meanwhile is soiled anyway; who it was used for is traced by its load.
    if not _of_this_load(track, event):
        return track
    return moved(track, _S.SOILED, event.at, Reason.RECALLED)


def _pouch_opened(track: Track, event: Event, _: Agents) -> Track:
    return moved(track, _S.CLEANED, event.at, Reason.POUCH_OPENED) if track.in_pouch else track


def _shelf_life_over(track: Track, event: Event, _: Agents) -> Track:
    if not track.is_sterile or track.may_be_used_at(event.at):
        return track
    return moved(track, _S.CLEANED, event.at, Reason.SHELF_LIFE_OVER)


STERILISING_STEPS: Mapping[EventKind, Callable[[Track, Event, Agents], Track]] = {
    _E.PACKED: _packed,
    _E.LOADED: _loaded,
    _E.STERILISED: _sterilised,
    _E.LOAD_FAILED: _load_failed,
    _E.RECALLED: _recalled,
    _E.POUCH_OPENED: _pouch_opened,
    _E.SHELF_LIFE_OVER: _shelf_life_over,
}
