"""Who and what the location knows, and how the words of a calendar entry find them.

Matching is exact on folded names: a service that is nearly called so is an error to correct, not
a guess.
"""

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from uuid import UUID

from services.imports.cells import fold

# What parts one statement of a SUMMARY from the next, and what joins services to a list.
_PART = re.compile(
    r"\s+[-–—]\s+|[|:;()\[\]\n]|\s+(?:with|w/|for|mit|für|con|para|avec|pour|@)\s+", re.IGNORECASE
)
_JOIN = re.compile(r"\s*[+&,/]\s*|\s+(?:and|und|y|e|et)\s+", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A client, service, team member or room that the program has."""

    id: UUID
    names: Sequence[str]
    email: str = ""
    phone: str = ""


@dataclass(slots=True)
class Register:
    """The known ones of one kind, found by address, number or folded name."""

    word: str
    _by_name: dict[str, tuple[UUID, ...]] = field(default_factory=dict)
    _by_email: dict[str, tuple[UUID, ...]] = field(default_factory=dict)
    _by_phone: dict[str, tuple[UUID, ...]] = field(default_factory=dict)
    longest_name: int = 1

    def add(self, known: Known) -> None:
        for name in {fold(name) for name in known.names if name}:
            _append(self._by_name, name, known.id)
            self.longest_name = max(self.longest_name, len(name.split()))
        _append(self._by_email, known.email.casefold(), known.id)
        _append(self._by_phone, known.phone, known.id)

    def named(self, name: str) -> tuple[UUID, ...]:
        """Those called `name`, whatever its case and accents."""
        return self._by_name.get(fold(name), ())

    def reached(self, *, email: str = "", phone: str = "") -> tuple[UUID, ...]:
        """Those with that e-mail address, else those with that phone number (E.164)."""
        return self._by_email.get(email.casefold(), ()) or self._by_phone.get(phone, ())

    def close_to(self, name: str) -> list[str]:
        """Up to three folded names that look like `name`, for a message."""
        return difflib.get_close_matches(fold(name), self._by_name, n=3, cutoff=0.7)


def _append(table: dict[str, tuple[UUID, ...]], key: str, value: UUID) -> None:
    if key and value not in table.get(key, ()):
        table[key] = (*table.get(key, ()), value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Directory:
    """Everyone and everything a calendar entry may name at one location."""

    clients: Register
    services: Register
    team: Register
    rooms: Register


def directory(
    *,
    clients: Iterable[Known],
    services: Iterable[Known],
    team: Iterable[Known],
    rooms: Iterable[Known],
) -> Directory:
    """The directory of the given ones; inactive and other locations' stay out by not being given."""
    return Directory(
        clients=_register("client", clients),
        services=_register("service", services),
        team=_register("practitioner", team),
        rooms=_register("room", rooms),
    )


def _register(word: str, known: Iterable[Known]) -> Register:
    register = Register(word)
    for one in known:
        register.add(one)
    return register


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of text between separators; `joined` if "+", "," or "and" links it to the one before."""

    text: str
    joined: bool


def pieces(text: str) -> list[Piece]:
    """`text` in pieces: "Brow wax + lip wax - Ana" has three, the second joined to the first."""
    found: list[Piece] = []
    for part in _PART.split(text):
        for at, piece in enumerate(p for p in _JOIN.split(part) if p and p.strip()):
            found.append(Piece(piece.strip(), joined=at > 0))
    return found


def take_named(
    found: Sequence[Piece], register: Register
) -> tuple[list[tuple[UUID, ...]], list[Piece], list[str]]:
    """The known ones that runs of pieces name, the pieces left, and those left in a list.

    The longest run wins, so that "Brow wax & tint" is one service where the price list has it. A
    left piece that is joined to a matched one is most likely one more of its kind, unknown.
    """
    matched: list[tuple[UUID, ...]] = []
    left: list[Piece] = []
    listed: list[str] = []
    at, after_match = 0, False
    while at < len(found):
        run, ids = _longest_run(found, at, register)
        if ids:
            # What was joined in front of a match, as in "lip shape + brow wax", is of its kind too.
            if found[at].joined and left and not after_match:
                listed.append(left[-1].text)
            matched.append(ids)
        else:
            if found[at].joined and after_match:
                listed.append(found[at].text)
            left.append(found[at])
        after_match = bool(ids)
        at += run
    return matched, left, listed


def _longest_run(
    found: Sequence[Piece], at: int, register: Register
) -> tuple[int, tuple[UUID, ...]]:
    for length in range(min(len(found) - at, register.longest_name), 0, -1):
        # Folded, the separators between pieces are spaces, so "wax & tint" joins to "wax tint".
        ids = register.named(" ".join(piece.text for piece in found[at : at + length]))
        if ids:
            return length, ids
    return 1, ()
