"""Implements counted out with a kit and counted back after the visit."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID

#: Common practice, no source.
SEARCH = "Search linen and bin for it before either leaves the room."


class Outcome(StrEnum):
    """How the search for a missing piece ended. All but `found` write it off."""

    FOUND = "found"
    LOST = "lost"
    BROKEN = "broken"
    THROWN_AWAY = "thrown_away"


WRITE_OFFS = tuple(outcome for outcome in Outcome if outcome is not Outcome.FOUND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """What a count changes: newly missing, and missing until now but back."""

    newly_missing: frozenset[UUID]
    come_back: frozenset[UUID]


def count_back(
    *, out: Iterable[UUID], missing: Iterable[UUID], missing_before: Iterable[UUID]
) -> Count:
    """What the last count says against what went out and what was missing until now.

    Raises ValueError for a piece that did not go out.
    """
    went, gone, before = frozenset(out), frozenset(missing), frozenset(missing_before)
    if not gone <= went:
        raise ValueError("names a piece that did not go out")
    return Count(newly_missing=gone - before, come_back=before - gone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """A piece was missing from `since` until `until`; None while it still is."""

    tag: str
    since: datetime
    until: datetime | None = None

    @property
    def is_open(self) -> bool:
        return self.until is None

    def covers(self, at: datetime) -> bool:
        """Whether the piece was missing at `at`."""
        return self.since <= at and (self.until is None or at < self.until)
