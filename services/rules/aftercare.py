"""Which aftercare text goes with a service, and its exact words. Pure.

The texts themselves are data (`services/aftercare`), each point with its source.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from clients.rules.areas import AreaTree


class Handing(StrEnum):
    """How the client was given the text."""

    PRINTED = "printed"
    HANDED_OVER = "handed_over"
    READ_OUT = "read_out"


@dataclass(frozen=True, slots=True, kw_only=True)
class AftercareSource:
    """Where a point comes from, and how well that is known."""

    ref: str
    strength: str
    says: str
    fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One thing to do or to leave; with `areas`: only where one of them was touched."""

    text: str
    sources: tuple[AftercareSource, ...]
    areas: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Aftercare:
    """All that may be said after some methods."""

    id: str
    version: str
    title: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AftercareBook:
    """The text of every method, in one language; `notice` ends each."""

    language: str
    notice: str
    by_method: Mapping[str, Aftercare]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What one client is told: the words, and what they are known by."""

    text_id: str
    version: str
    language: str
    title: str
    points: tuple[Point, ...]
    notice: str

    @property
    def text(self) -> str:
        """The exact words, a line for each point."""
        return "\n".join([self.title, *(f"- {p.text}" for p in self.points), self.notice])

    @property
    def digest(self) -> str:
        """SHA-256 of the words' UTF-8, in hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def sheet_for(book: AftercareBook, tree: AreaTree, *, method: str, area: str) -> Sheet | None:
    """What is told after `method` on `area`; None for a method that the book does not know.

    `area` is one of the tree's. A text never tells anybody to take, leave or time a medicine.
    """
    found = book.by_method.get(method)
    if found is None:
        return None
    return Sheet(
        text_id=found.id,
        version=found.version,
        language=book.language,
        title=found.title,
        points=tuple(p for p in found.points if not p.areas or p.areas & tree.touching[area]),
        notice=book.notice,
    )
