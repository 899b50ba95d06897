"""The record of a line's work: passes over the same skin, when it is confirmed, what is prefilled. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

#: With gloves on that touched a client nothing else is asked of anyone (common practice, no source).
ASKED_WITH_GLOVES_ON = ("start", "blood", "stop", "finish")


class RecordFlaw(StrEnum):
    """What is wrong with what was done; it is recorded all the same."""

    TOO_MANY_PASSES = "too_many_passes"


#: Soft wax once, hard wax at most twice over the same skin, then tweezers: common practice, no source.
WHAT_TO_DO: Mapping[RecordFlaw, str] = {
    RecordFlaw.TOO_MANY_PASSES: (
        "Do not wax that skin again today: take what is left with tweezers, calm the skin and tell the "
        "client what to look for (common practice, no source)."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Passes:
    """How often wax was put on one section and drawn off."""

    section: str
    passes: int


def sections_passed_too_often(passes: Iterable[Passes], most: int | None) -> tuple[str, ...]:
    """The sections over which wax went more than `most` times in all, by name; None: no most is known.

    A section that is named twice was passed as often as both say together.
    """
    if most is None:
        return ()
    counts: dict[str, int] = {}
    for one in passes:
        name = one.section.strip().casefold()
        counts[name] = counts.get(name, 0) + one.passes
    return tuple(sorted(name for name, count in counts.items() if count > most))


def flaw_of_time(
    happened_at: datetime, *, started_at: datetime | None, now: datetime
) -> str | None:
    """What is wrong with the moment that a record says the work was done; None: nothing."""
    if happened_at > now:
        return "lies ahead"
    if started_at is not None and happened_at < started_at:
        return "is before the work began"
    return None


def applicators_of(counts: Mapping[str, int]) -> int | None:
    """How many applicators a line's set-up list lays out, by item code; None where it has none."""
    found = [
        n for code, n in counts.items() if code in {"wax_applicator", "wax_applicator_washable"}
    ]
    return sum(found) if found else None
