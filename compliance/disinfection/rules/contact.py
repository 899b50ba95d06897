"""Contact time: when it starts, what starts it anew, what voids it, and whether it was enough."""

from dataclasses import replace

from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.reprocessing import (
    Agent,
    Event,
    EventKind,
    ImplementClass,
    ImplementState,
    contact_ends_at,
)
from compliance.disinfection.rules.tracks import Agents, Bath, Bench, Track, moved

_S = ImplementState
UNCLEANED = frozenset({_S.SOILED, _S.IN_USE, _S.OUT_OF_USE})
WET_FROM_WASH = frozenset({_S.WASHED, _S.WASH_RINSED, _S.RINSED})


def immersed(bench: Bench, track: Track, event: Event, agents: Agents) -> Bench:
    """The bench after `track` went into a bath, with what that does to the others in it.

    From another bath, or from a wipe, it starts from nothing: no word of a lift is needed.
    """
    bench = stirred(bench, event, agents, is_clean=track.state not in UNCLEANED)
    bath = bench.baths[event.agent_id] if event.agent_id else Bath()
    inside = replace(bench.tracks[track.implement_id], bath_id=event.agent_id)
    return _overfull(bench.having(_soak_started(inside, event, agents, bath=bath)), event, agents)


def _overfull(bench: Bench, event: Event, agents: Agents) -> Bench:
    """With one too many none lies wholly under for sure: no contact runs in that bath."""
    agent = agents.get(event.agent_id) if event.agent_id else None
    inside = [t for t in bench.tracks.values() if t.bath_id == event.agent_id]
    if agent is None or agent.pieces_allowed is None or len(inside) <= agent.pieces_allowed:
        return bench
    running = (t for t in inside if t.state is _S.DISINFECTING)
    return bench.having(*(moved(t, _S.CLEANED, event.at, Reason.BATH_OVERFULL) for t in running))


def stirred(bench: Bench, event: Event, agents: Agents, *, is_clean: bool) -> Bench:
    """Something went into a bath: all in it start anew, or, if it was uncleaned, all is void.

    Void takes everything in the bath, also what had its time already (common practice).
    """
    bath_id = event.agent_id
    if bath_id is None:
        return bench
    before = bench.baths.get(bath_id, Bath())
    voided_at = before.voided_at or (None if is_clean else event.at)
    is_immersed = event.kind is EventKind.IMMERSED
    is_same_batch = is_immersed and event.at == before.last_in_at
    is_use = (is_immersed and not is_same_batch) or event.kind is EventKind.ADDED
    bath = replace(
        before,
        uses=before.uses + is_use,
        voided_at=voided_at,
        last_in_at=event.at if is_immersed else before.last_in_at,
    )
    inside = [t for t in bench.tracks.values() if t.bath_id == bath_id]
    if voided_at is None:
        running = (t for t in inside if t.state is _S.DISINFECTING)
        touched = [contact_started(t, event, agents.get(bath_id)) for t in running]
    else:
        touched = [_voided(t, event) for t in inside]
    return replace(bench.having(*touched), baths={**bench.baths, bath_id: bath})


def _voided(track: Track, event: Event) -> Track:
    if track.state in UNCLEANED:
        return track
    return moved(track, _S.SOILED, event.at, Reason.BATH_VOIDED)


def _soak_started(track: Track, event: Event, agents: Agents, *, bath: Bath) -> Track:
    if track.state is _S.OUT_OF_USE:
        return track
    if track.kind.is_wiped:
        return moved(track, _S.SOILED, event.at, Reason.NOT_FOR_IMMERSION)
    if track.state in UNCLEANED:
        return moved(track, _S.SOILED, event.at, Reason.NOT_CLEANED)
    if bath.voided_at is not None:
        return _voided(track, event)
    if track.state in WET_FROM_WASH:
        state = _S.WASHED if track.state is _S.WASHED else _S.WASH_RINSED
        return moved(track, state, event.at, Reason.NOT_RINSED_AND_DRIED)
    agent = agents.get(event.agent_id) if event.agent_id else None
    flaw = refusal(track, event, agent, bath)
    if flaw is not None:
        return moved(track, _S.CLEANED, event.at, flaw)
    return contact_started(track, event, agent)


def refusal(track: Track, event: Event, agent: Agent | None, bath: Bath) -> Reason | None:
    """Why no contact time can begin now, the most basic reason first."""
    if track.kind is ImplementClass.MUST_BE_STERILISED:
        return Reason.NEEDS_STERILISING
    if agent is None:
        return Reason.AGENT_UNKNOWN
    if not agent.is_bath and (agent.needs_water or event.kind is EventKind.IMMERSED):
        return Reason.NOT_MIXED
    if agent.excludes(track.kind, track.materials):
        return Reason.NOT_FOR_THIS_IMPLEMENT
    if agent.contact_seconds is None:
        return Reason.NO_LABEL_CONTACT_TIME
    if not agent.as_label:
        return Reason.SOLUTION_NOT_AS_LABEL
    if event.at < agent.usable_from or (agent.ends_at is not None and event.at >= agent.ends_at):
        return Reason.SOLUTION_ENDED
    if agent.uses_allowed is not None and bath.uses > agent.uses_allowed:
        return Reason.SOLUTION_USED_UP
    if track.blood and not agent.hospital_type:
        return Reason.AGENT_NOT_FOR_BLOOD
    if event.kind is EventKind.IMMERSED and not event.fully_open:
        return Reason.NOT_FULLY_OPEN
    return None


def contact_started(track: Track, event: Event, agent: Agent | None) -> Track:
    """`track` wet from this event on; whether that is allowed is `refusal`'s to say."""
    if agent is None or agent.contact_seconds is None:
        return moved(track, _S.CLEANED, event.at, Reason.AGENT_UNKNOWN)
    due_at = contact_ends_at(event.at, agent.contact_seconds)
    running = replace(track, agent_id=agent.id, contact_from=event.at, due_at=due_at)
    return moved(running, _S.DISINFECTING, event.at)


def contact_ended(track: Track, event: Event, agents: Agents) -> Track:
    """Out of the bath, or no longer wet: the only way to `DISINFECTED`."""
    out = replace(track, bath_id=None)
    if track.state is not _S.DISINFECTING or track.due_at is None:
        return out
    agent = agents.get(track.agent_id) if track.agent_id else None
    if event.at < track.due_at:
        early = Reason.DRIED_EARLY if track.kind.is_wiped else Reason.LIFTED_EARLY
        return moved(out, _S.CLEANED, event.at, early)
    if agent is None:
        return moved(out, _S.CLEANED, event.at, Reason.AGENT_UNKNOWN)
    if outlasts_window(track, agent):
        return moved(out, _S.CLEANED, event.at, Reason.SOLUTION_ENDED)
    return moved(out, _S.DISINFECTED, event.at)


def outlasts_window(track: Track, agent: Agent | None) -> bool:
    """Whether the contact ends after its bath does; ending at the same instant is in time."""
    ends_at = agent.ends_at if agent else None
    return ends_at is not None and track.due_at is not None and track.due_at > ends_at
