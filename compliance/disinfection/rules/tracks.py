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


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One implement as its events left it. A new one counts as soiled until shown otherwise.

    `flaw` is the last thing that went wrong and is not mended; `bath_id` where it lies now;
    `agent_id`, `contact_from`, `due_at` belong to the running or last contact; `blood` lasts
    until it is ready again.
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

    @property
    def is_cleared(self) -> bool:
        """Contact time proven and no step since done wrongly; not yet ready until stored."""
        return self.state in CONTACT_MET and self.flaw is None

    @property
    def may_be_used(self) -> bool:
        """Whether a line may start with it: every step done, stored clean and covered."""
        return self.state is ImplementState.READY and self.flaw is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bath:
    """What events did to one bath: how often something went in, and whether that voided it."""

    uses: int = 0
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
    return replace(track, state=state, since=since, flaw=flaw)
