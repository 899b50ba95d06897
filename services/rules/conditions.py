"""What a client's standing conditions ask of a plan. Pure.

A condition binds until it is lifted: more minutes, a step-free room, a language, a practitioner
wanted or not wanted, or no booking at all. That such wishes are asked for once and kept is common
practice, no source.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from uuid import UUID

from services.rules.phases import Minutes

#: The room feature that a client who cannot take steps needs.
STEP_FREE = "step_free"


class ConditionKind(StrEnum):
    NEEDS_LONGER = "needs_longer"
    STEP_FREE = "step_free"
    LANGUAGE = "language"
    PREFERRED_PRACTITIONER = "preferred_practitioner"
    REFUSED_PRACTITIONER = "refused_practitioner"
    DO_NOT_BOOK = "do_not_book"


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One standing condition; `required` tells a must from a wish, where both are possible."""

    kind: ConditionKind
    extra_minutes: int = 0
    language: str = ""
    practitioner_id: UUID | None = None
    required: bool = False


def may_be_booked(conditions: Iterable[Condition]) -> bool:
    """Whether nobody has set that the client is not booked."""
    return all(c.kind is not ConditionKind.DO_NOT_BOOK for c in conditions)


def lengthened(minutes: Minutes, conditions: Iterable[Condition]) -> Minutes:
    """A service's minutes for this client: the most extra minutes of any condition, hands-on."""
    extra = max((c.extra_minutes for c in conditions if c.kind is ConditionKind.NEEDS_LONGER), default=0)  # fmt: skip
    return replace(minutes, hands_on=minutes.hands_on + extra)


def needed_features(
    service_features: Collection[str], conditions: Iterable[Condition]
) -> frozenset[str]:
    """What a room must have for a service and this client."""
    step_free = any(c.kind is ConditionKind.STEP_FREE for c in conditions)
    return frozenset(service_features) | ({STEP_FREE} if step_free else set())


def against(
    person_id: UUID, conditions: Iterable[Condition], languages: Mapping[UUID, Collection[str]]
) -> ConditionKind | None:
    """The first condition that a practitioner would not meet, in a fixed order; None: they may perform.

    Of several required practitioners any will do, and so of several required languages.
    """
    asked = list(conditions)
    refused = [c for c in asked if c.kind is ConditionKind.REFUSED_PRACTITIONER]
    if any(c.practitioner_id == person_id for c in refused):
        return ConditionKind.REFUSED_PRACTITIONER
    wanted = [c for c in asked if c.required and c.kind is ConditionKind.PREFERRED_PRACTITIONER]
    if wanted and all(c.practitioner_id != person_id for c in wanted):
        return ConditionKind.PREFERRED_PRACTITIONER
    spoken = {c.language for c in asked if c.required and c.kind is ConditionKind.LANGUAGE}
    if spoken and not spoken & set(languages.get(person_id, ())):
        return ConditionKind.LANGUAGE
    return None


def preferred(
    conditions: Iterable[Condition], languages: Mapping[UUID, Collection[str]]
) -> UUID | None:
    """Whom to offer first by the client's wishes: the practitioner wanted, else the first who speaks theirs."""
    asked = list(conditions)
    for condition in asked:
        if condition.kind is ConditionKind.PREFERRED_PRACTITIONER:
            return condition.practitioner_id
    wished = {c.language for c in asked if c.kind is ConditionKind.LANGUAGE}
    speaking = sorted(who for who, spoken in languages.items() if wished & set(spoken))
    return speaking[0] if speaking else None
