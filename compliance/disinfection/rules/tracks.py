"""What is kept of an implement and of a bath between two events."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from uuid import UUID

from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.reprocessing import (
    CONTACT_MET,
    Agent,
    ImplementClass,
    ImplementState,
)

Agents = Mapping[UUID, Agent]
_IN_POUCH = frozenset({ImplementState.PACKED, ImplementState.STERILISING})
#: States in which it is known what load an implement is in or from.
_OF_LOAD = frozenset({ImplementState.STERILISING, ImplementState.READY, ImplementState.IN_USE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One implement as its events left it. A new one counts as soiled until shown otherwise.

    `flaw` is the last thing that went wrong and is not mended; `bath_id` where it lies now;
    `agent_id`, `contact_from`, `due_at` belong to the running or last contact; `blood` lasts
    until it is ready again. `load_id` is the steriliser's load that it lies in or came from, until
    it is soiled by other than use; `keeps_until` the end of its pouch's shelf life.
    """

    implement_id: UUID
    kind: ImplementClass
    materials: frozenset[str] = frozenset()
    state: ImplementState = ImplementState.SOILED
    since: datetime | None = None
    flaw: Reason | None = None
    blood: bool = False
    parts_off: bool = False
    bath_id: UUID | None = None
    agent_id: UUID | None = None
    contact_from: datetime | None = None
    due_at: datetime | None = None
    visit_id: UUID | None = None
    load_id: UUID | None = None
    keeps_until: datetime | None = None

    @property
    def is_cleared(self) -> bool:
        """Contact time or load proven and no step since done wrongly; not ready until stored."""
        return self.state in CONTACT_MET and self.flaw is None

    @property
    def may_be_used(self) -> bool:
        """Whether a line may start with it: every step done, stored clean and covered."""
        return self.state is ImplementState.READY and self.flaw is None

    def may_be_used_at(self, at: datetime) -> bool:
        """Whether it may be used at an instant: its pouch's shelf life counts to the second."""
        return self.may_be_used and (self.keeps_until is None or at < self.keeps_until)

    @property
    def is_sterile(self) -> bool:
        """Ready out of a released load, in its pouch."""
        return self.state is ImplementState.READY and self.load_id is not None

    @property
    def in_pouch(self) -> bool:
        """In a closed pouch, sterile or not yet."""
        return self.state in _IN_POUCH or self.is_sterile


@dataclass(frozen=True, slots=True, kw_only=True)
class Bath:
    """What events did to one bath: how often something went in, and whether that voided it.

    What goes in at one instant, `last_in_at`, is one batch and one use: labels say "each batch" (US
    EPA DIS/TSS-15 item 7).
    """

    uses: int = 0
    last_in_at: datetime | None = None
    voided_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """The implements looked at together, with the baths they share."""

    tracks: Mapping[UUID, Track]
    baths: Mapping[UUID, Bath] = field(default_factory=dict)

    def having(self, *tracks: Track) -> "Bench":
        return replace(self, tracks={**self.tracks, **{t.implement_id: t for t in tracks}})


def moved(track: Track, state: ImplementState, at: datetime, flaw: Reason | None = None) -> Track:
    """`track` in `state` since `at`, with `flaw`: none means that this step mended the last one."""
    since = track.since if state is track.state else at
    load_id = track.load_id if state in _OF_LOAD else None
    keeps_until = track.keeps_until if state is ImplementState.READY else None
    return replace(
        track, state=state, since=since, flaw=flaw, load_id=load_id, keeps_until=keeps_until
    )
