"""Derives where each implement stands, and whether it is cleared, from what was recorded.

A fold over events: `apply` for one more, `derive` for all of them again (after a correction).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from uuid import UUID

from compliance.disinfection.rules.baths import soak_too_long_at
from compliance.disinfection.rules.contact import (
    contact_ended,
    immersed,
    outlasts_window,
    stirred,
)
from compliance.disinfection.rules.guidance import ADVICE, Reason
from compliance.disinfection.rules.reprocessing import (
    ABOUT_LOADS,
    Event,
    EventKind,
    ImplementClass,
    ImplementState,
)
from compliance.disinfection.rules.steps import STEPS
from compliance.disinfection.rules.tracks import Agents, Bench, Track

_S = ImplementState
_E = EventKind
_KEEPS_WET = frozenset({_E.WIPED, _E.RE_WETTED})


def derive(
    kinds: Mapping[UUID, ImplementClass],
    events: Iterable[Event],
    agents: Agents,
    *,
    materials: Mapping[UUID, frozenset[str]] | None = None,
) -> Bench:
    """Where every implement of `kinds` stands after `events`, taken in the order they happened.

    `materials` says what they are made of, as far as that is known. Events at one instant keep the order given. The set must hold every implement that shared a
    bath in that time, since one put in restarts the clock of the others. Raises ValueError for an
    event on an implement outside it.
    """
    made_of = materials or {}
    bench = Bench(
        tracks={
            id_: Track(implement_id=id_, kind=kind, materials=made_of.get(id_, frozenset()))
            for id_, kind in kinds.items()
        }
    )
    for event in sorted(events, key=lambda each: each.at):
        bench = apply(bench, event, agents)
    return bench


def apply(bench: Bench, event: Event, agents: Agents) -> Bench:
    """The bench after one more event, which must not be older than those already applied.

    For a late event use `derive` again. Nothing is refused: a wrong event leaves a flaw, or no
    trace at all in the state. Raises ValueError for an implement that is not on the bench.
    """
    if event.implement_id is None:
        is_clean = event.cleaned or event.kind is _E.TOPPED_UP
        return stirred(bench, event, agents, is_clean=is_clean)
    track = bench.tracks.get(event.implement_id)
    if track is None:
        raise ValueError("this event is about an implement that is not on the bench")
    if event.kind is _E.IMMERSED:
        return immersed(bench, track, event, agents)
    if event.kind is _E.BLOOD_SEEN and track.bath_id is not None:
        # Seen on what lies in a bath, it is in the bath: all in there is void, as with anything uncleaned.
        bench = stirred(bench, replace(event, agent_id=track.bath_id), agents, is_clean=False)
        track = bench.tracks[event.implement_id]
    stays_wet = event.kind in _KEEPS_WET and track.kind.is_wiped and track.bath_id is None
    if not (stays_wet or event.kind in ABOUT_LOADS):
        track = contact_ended(track, event, agents)
    return bench.having(STEPS[event.kind](track, event, agents))


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """What one implement's record says at an instant, ready to be shown or refused on.

    `due_at` and `seconds_left` (rounded up) speak of a running contact only; `warning` says what to
    mind although nothing is lost yet.
    """

    implement_id: UUID
    state: ImplementState
    since: datetime | None
    is_cleared: bool
    may_be_used: bool
    reason: Reason
    what_to_do: str
    basis: str
    due_at: datetime | None = None
    seconds_left: int | None = None
    warning: str | None = None


def clearance(track: Track, *, as_of: datetime, agents: Agents) -> Clearance:
    """`track` read at `as_of`: cleared or not, the reason, and what to do about it.

    A contact that its bath cannot outlast is named as such from the start, not at the lift.
    """
    reason = _reason(track, as_of, agents)
    due_at = track.due_at if track.state is _S.DISINFECTING else None
    left = None if due_at is None else max(0, -((as_of - due_at) // timedelta(seconds=1)))
    return Clearance(
        implement_id=track.implement_id,
        state=track.state,
        since=track.since,
        is_cleared=track.is_cleared and reason is not Reason.SHELF_LIFE_OVER,
        may_be_used=track.may_be_used_at(as_of),
        reason=reason,
        what_to_do=ADVICE[reason].what_to_do,
        basis=ADVICE[reason].basis,
        due_at=due_at,
        seconds_left=left,
        warning=TOO_LONG if soaks_too_long(track, as_of, agents) else None,
    )


TOO_LONG = (
    "It has been soaking far longer than it needs to: long soaks corrode, and some labels forbid "
    "them. Lift it, rinse it, look it over. (Product label; house policy where it says nothing.)"
)


def soaks_too_long(track: Track, as_of: datetime, agents: Agents) -> bool:
    """Whether a soak has gone on past the label's longest time, or the house's."""
    running = track.state is _S.DISINFECTING and track.bath_id is not None
    if not running or track.due_at is None or track.contact_from is None:
        return False
    agent = agents.get(track.agent_id) if track.agent_id else None
    return as_of >= soak_too_long_at(
        contact_from=track.contact_from,
        due_at=track.due_at,
        label_seconds=agent.longest_soak_seconds if agent else None,
    )


def _reason(track: Track, as_of: datetime, agents: Agents) -> Reason:
    if track.flaw is not None:
        return track.flaw
    if track.may_be_used and not track.may_be_used_at(as_of):
        return Reason.SHELF_LIFE_OVER
    if track.state is _S.CLEANED and track.kind is ImplementClass.MUST_BE_STERILISED:
        return Reason.NEEDS_STERILISING
    if track.state is not _S.DISINFECTING or track.due_at is None:
        wiped_and_wet = track.state is _S.DISINFECTED and track.kind.is_wiped
        return Reason.STILL_DRYING if wiped_and_wet else _NEXT[track.state]
    if outlasts_window(track, agents.get(track.agent_id) if track.agent_id else None):
        return Reason.SOLUTION_ENDED
    return Reason.CONTACT_COMPLETE if as_of >= track.due_at else Reason.CONTACT_RUNNING


_NEXT: Mapping[ImplementState, Reason] = {
    _S.IN_USE: Reason.IN_USE,
    _S.SOILED: Reason.CLEAN_NEXT,
    _S.WASHED: Reason.RINSE_NEXT,
    _S.WASH_RINSED: Reason.DRY_NEXT,
    _S.CLEANED: Reason.DISINFECT_NEXT,
    _S.DISINFECTING: Reason.CONTACT_RUNNING,
    _S.DISINFECTED: Reason.FINAL_RINSE_NEXT,
    _S.RINSED: Reason.FINAL_DRY_NEXT,
    _S.DRIED: Reason.STORE_NEXT,
    _S.PACKED: Reason.STERILISE_NEXT,
    _S.STERILISING: Reason.RELEASE_NEXT,
    _S.READY: Reason.READY,
    _S.OUT_OF_USE: Reason.OUT_OF_USE,
}


def kit_may_be_used(tracks: Iterable[Track]) -> bool:
    """Whether a kit is ready: all its implements are. A kit without implements is not."""
    states = [track.may_be_used for track in tracks]
    return bool(states) and all(states)
