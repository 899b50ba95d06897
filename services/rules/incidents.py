"""First aid and follow-up when somebody is hurt or reacts: which steps are asked of whom, and which must be done. Pure.

The steps themselves are data (`services/incident_guides`), each with its source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from clients.rules.areas import AreaTree


class IncidentKind(StrEnum):
    """What happened, in the plainest class that decides the first aid."""

    BURN = "burn"
    SKIN_LIFTED = "skin_lifted"
    BLOOD_EXPOSURE = "blood_exposure"
    REACTION = "reaction"
    EYE_CONTACT = "eye_contact"
    FALL = "fall"
    OTHER = "other"


class Hurt(StrEnum):
    """Who was hurt."""

    CLIENT = "client"
    TEAM_MEMBER = "team_member"


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideSource:
    """Where a step or number comes from, and how well that is known."""

    ref: str
    strength: str
    says: str
    fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do. `minutes` is the least time it takes; `hurt` None: for whoever was hurt."""

    code: str
    text: str
    required: bool
    sources: tuple[GuideSource, ...]
    minutes: int | None = None
    hurt: Hurt | None = None
    #: Required also where the hurt skin is one of these areas, or lies in one, or holds one.
    required_areas: frozenset[str] = frozenset()
    #: Required also where what is hurt is longer than this.
    required_above_mm: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """What to do for one kind of incident, in order, and what is never put on or done."""

    kind: IncidentKind
    title: str
    never: tuple[str, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideBook:
    """All guides in one version. `emergency` is said first, whatever happened."""

    version: str
    digest: str
    notice: str
    emergency: str
    emergency_sources: tuple[GuideSource, ...]
    call_back_hours: tuple[int, ...]
    call_back_sources: tuple[GuideSource, ...]
    guides: tuple[Guide, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedStep:
    """A step as it is asked of this case."""

    step: Step
    required: bool


def steps_for(
    guide: Guide,
    *,
    tree: AreaTree,
    hurt: Hurt | None = None,
    area: str | None = None,
    millimetres: int | None = None,
) -> list[AskedStep]:
    """The steps for this case in order; what is not known drops no step and requires none more.

    `area` must be in `tree`. A step once required by the guide is never made optional.
    """
    return [
        AskedStep(step=step, required=_is_required(step, tree, area, millimetres))
        for step in guide.steps
        if hurt is None or step.hurt in {None, hurt}
    ]


def _is_required(step: Step, tree: AreaTree, area: str | None, millimetres: int | None) -> bool:
    if step.required:
        return True
    if area is not None and step.required_areas & tree.touching[area]:
        return True
    limit = step.required_above_mm
    return limit is not None and millimetres is not None and millimetres > limit


def call_backs_due(occurred_at: datetime, hours: Sequence[int]) -> list[datetime]:
    """When to ask how it is: so many hours after it happened, counted in elapsed time."""
    return [occurred_at + timedelta(hours=one) for one in hours]
