"""Reads a chain once, entry by entry, and says whether it is whole; where not, from which entry on.

Every link is followed and every commitment recomputed: a verifier that trusts the middle because
the ends fit can be shown two histories.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum
from hashlib import sha256
from typing import NamedTuple, TypeAlias
from uuid import UUID

from compliance.ledger.rules.checkpoint import Checkpoint, origin_of
from compliance.ledger.rules.devices import DeviceNumbers, Hole
from compliance.ledger.rules.format import (
    COUNT_TEXT,
    HASH_TEXT,
    LEAF_PREFIX,
    SALT_BYTES,
    NotFormatOne,
    commitment,
    parse_header,
    parse_instant,
)
from compliance.ledger.rules.tree import RootStack
from spa_ops.kernel.clock import rfc3339

#: House policy: a tablet that was offline for less is not worth an inspector's question.
LATE_AFTER = timedelta(minutes=15)
#: House policy: clocks of one house differ by less.
CLOCK_SKEW = timedelta(minutes=5)

_DEVICE_KEY, _NUMBER_KEY = '"device":"', '"device_entry_n":'
_NO_PERSONAL, _NO_DEVICE, _NO_NUMBER = '"personal":null}', '"device":null', f"{_NUMBER_KEY}null"
_PERSONAL = re.compile(f'"personal":"{HASH_TEXT}"}}')
_NUMBER = re.compile(_NUMBER_KEY + COUNT_TEXT)
_INSTANT = slice(len('"recorded_at":"'), -1)  # and of occurred_at, which is as long
#: Bounds the memory that a hostile chain of ever new names can take.
_MAX_KNOWN = 10_000


class StoredEntry(NamedTuple):
    """One entry as stored: the header's text, both bodies' text, and 32 bytes of salt for each.

    `personal` and its salt are None where the entry has none, where it was erased, and where this
    reader may not see it. A tuple, unlike other values here: 100,000 of them pass in a second.
    """

    header: str
    facts: str
    facts_salt: bytes
    personal: str | None = None
    personal_salt: bytes | None = None


#: The same five values as a database driver gives them, without the cost of naming them.
Row: TypeAlias = tuple[str, str, bytes, str | None, bytes | None]


class Head(NamedTuple):
    """Where a chain is known to end: the last entry's number and its hash, 32 bytes."""

    n: int
    entry_hash: bytes


class Flaw(StrEnum):
    """What is wrong with an entry."""

    MALFORMED = "malformed"
    WRONG_CHAIN = "wrong_chain"
    WRONG_NUMBER = "wrong_number"
    BROKEN_LINK = "broken_link"
    RECORDED_BACKWARDS = "recorded_backwards"
    FACTS_CHANGED = "facts_changed"
    PERSONAL_CHANGED = "personal_changed"
    CUT_OFF = "cut_off"
    BEYOND_HEAD = "beyond_head"
    NOT_THE_HEAD = "not_the_head"
    NOT_THE_CHECKPOINT = "not_the_checkpoint"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """The first entry at which the chain stops being whole, and a sentence that says why.

    A changed header is seen by the next entry's link, so `n` may be one behind the change; a
    history written anew is seen only at the head or a checkpoint that somebody kept.
    """

    n: int
    flaw: Flaw
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LateEntry:
    """Recorded later than it says it happened: `occurred_at` is a claim, `recorded_at` is not."""

    n: int
    by: timedelta


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What one reading of a chain found; only with `is_whole` do the rest hold for all of it.

    `erased` counts personal bodies that are committed to but not here: erased, or withheld from
    this reader. `back_dated` names entries that claim to have been recorded before a checkpoint
    which does not hold them, by more than `CLOCK_SKEW`. `root` only where it was asked for.
    """

    first_n: int
    last_n: int
    head_hash: bytes | None
    recorded_to: str
    root: bytes | None
    personal: int
    erased: int
    late: tuple[LateEntry, ...]
    back_dated: tuple[int, ...]
    holes: tuple[Hole, ...]
    repeats: tuple[tuple[str, int], ...]
    failure: Failure | None

    @property
    def is_whole(self) -> bool:
        return self.failure is None

    @property
    def count(self) -> int:
        return self.last_n - self.first_n + 1


def verify(
    entries: Iterable[StoredEntry | Row],
    *,
    business: UUID,
    location: UUID | None,
    start_n: int = 1,
    prev_hash: bytes | None = None,
    recorded_from: str = "",
    head: Head | None = None,
    checkpoints: Sequence[Checkpoint] = (),
    rebuild_root: bool = False,
) -> Verification:
    """Read `entries` of one chain in order and check all that can be checked without the database.

    Links, numbers, times that never go back, business and location, both commitments, then the end
    against `head` and each checkpoint's root. Without a head or checkpoint a cut-off end and a
    history written anew look whole. Stops at the first failure and never raises for what it reads.
    To go on from an earlier reading, give its last number + 1, hash and recording time; a root or
    checkpoints need the chain from 1. Raises ValueError for arguments that do not belong together.
    """
    if (start_n == 1) != (prev_hash is None) or start_n < 1:
        raise ValueError("a chain starts at 1 without a previous hash, or later with one")
    if start_n != 1 and (checkpoints or rebuild_root):
        raise ValueError("a root is over every entry from the first")
    origin = origin_of(business=business, location=location)
    if any(checkpoint.origin != origin for checkpoint in checkpoints):
        raise ValueError("a checkpoint of another chain")
    walk = _Walk(
        business=business,
        location=location,
        n=start_n,
        prev_hash=prev_hash,
        recorded_at=recorded_from,
        head=head,
        checkpoints=checkpoints,
        tree=RootStack() if checkpoints or rebuild_root else None,
        numbers=DeviceNumbers(from_one=start_n == 1),
    )
    return walk.result(start_n, walk.read(entries))


@dataclass(slots=True, kw_only=True)
class _Walk:
    """Where a reading stands: what entry `n`, the next, has to follow, and what was found so far."""

    business: UUID
    location: UUID | None
    n: int
    prev_hash: bytes | None
    recorded_at: str
    head: Head | None
    checkpoints: Sequence[Checkpoint]
    tree: RootStack | None
    numbers: DeviceNumbers
    not_before: str = ""
    personal: int = 0
    erased: int = 0
    late: list[LateEntry] = field(default_factory=list)
    back_dated: list[int] = field(default_factory=list)

    def read(self, entries: Iterable[StoredEntry | Row]) -> Failure | None:
        """Follow the entries to the end, or to the first failure.

        One loop on local names, because it runs for every entry that there ever was. No text in a
        header holds a comma, so a header is sixteen parts; most are compared with what they have to
        be, and those that come again and again are known good once a header with them was parsed.
        """
        known: set[tuple[str, ...]] = set()
        marks = {self.head.n if self.head else 0, *(each.size for each in self.checkpoints)}
        ours = f'"business":"{self.business}"'
        here = f'"location":{_quoted(self.location)}'
        follows = f'"prev_hash":{_quoted(self.prev_hash and self.prev_hash.hex())}'
        for entry in entries:
            header, facts, facts_salt, personal, personal_salt = entry
            try:
                raw = header.encode("ascii")
                # fmt: off
                (
                    person, role, auth, body_v, business, committed, personally, device, number,
                    kind, location, place, occurred, previous, recorded, end,
                ) = header.split(",")
                # fmt: on
                usual = (person, role, auth, body_v, device, kind)
                if usual not in known:
                    _learn(known, raw, usual)
                facts_hash = sha256(facts_salt + facts.encode()).hexdigest()
                if (
                    committed != f'"commitments":{{"facts":"{facts_hash}"'
                    or len(facts_salt) != SALT_BYTES
                    or previous != follows
                    or place != f'"n":{self.n}'
                    or business != ours
                    or location != here
                    or end != '"v":1}'
                ):
                    return self.explain(StoredEntry._make(entry))
                if personally != _NO_PERSONAL or personal is not None:
                    self.take_personal(personally, personal, personal_salt)
                if number != _NO_NUMBER:
                    self.take_number(device, number)
                self.take_times(occurred, recorded)
            except ValueError:
                return self.explain(StoredEntry._make(entry))
            self.prev_hash = sha256(LEAF_PREFIX + raw).digest()
            follows = f'"prev_hash":"{self.prev_hash.hex()}"'
            if self.tree is not None:
                self.tree.append(self.prev_hash)
            if self.n in marks and (failure := self.check_mark()):
                return failure
            self.n += 1
        return self.check_end()

    def take_personal(self, part: str, body: str | None, salt: bytes | None) -> None:
        """A personal body is here and as committed, or it is gone; raises NotFormatOne."""
        if body is None or salt is None:
            _require(_PERSONAL.fullmatch(part))
            self.erased += 1
        else:
            _require(part == f'"personal":"{commitment(salt, body.encode())}"}}')
            self.personal += 1

    def take_number(self, device: str, part: str) -> None:
        """Take note of the device's own number; raises NotFormatOne."""
        device_id = device[len(_DEVICE_KEY) : -1]
        expected = self.numbers.expected.get(device_id)
        if expected and part == f"{_NUMBER_KEY}{expected}":
            self.numbers.expected[device_id] = expected + 1
        else:
            _require(device != _NO_DEVICE and _NUMBER.fullmatch(part))
            self.numbers.add(device_id, int(part[len(_NUMBER_KEY) :]))

    def take_times(self, occurred: str, recorded: str) -> None:
        """Take note of what is late or back-dated; raises NotFormatOne for a time that is none."""
        text = recorded[_INSTANT]
        if recorded != f'"recorded_at":"{text}"' or text < self.recorded_at:
            raise NotFormatOne
        recorded_at = parse_instant(text)
        if occurred != f'"occurred_at":"{text}"':
            claimed = occurred[_INSTANT]
            _require(occurred == f'"occurred_at":"{claimed}"')
            by = recorded_at - parse_instant(claimed)
            if by > LATE_AFTER:
                self.late.append(LateEntry(n=self.n, by=by))
        if text < self.not_before:
            self.back_dated.append(self.n)
        self.recorded_at = text

    def check_mark(self) -> Failure | None:
        """Compare entry `n`, just read, with the head and the checkpoints that end with it."""
        if self.head and self.n == self.head.n and self.prev_hash != self.head.entry_hash:
            return self.failed(Flaw.NOT_THE_HEAD, "it is not the entry that the head knows")
        for checkpoint in self.checkpoints:
            if checkpoint.size == self.n and self.tree:
                if self.tree.root() != checkpoint.root:
                    told = f"entries 1 to {self.n} are not those of the checkpoint of"
                    return self.failed(Flaw.NOT_THE_CHECKPOINT, f"{told} {rfc3339(checkpoint.at)}")
                self.not_before = max(self.not_before, rfc3339(checkpoint.at - CLOCK_SKEW))
        return None

    def check_end(self) -> Failure | None:
        """Whether everything is there that the head and the checkpoints know of."""
        sizes = [checkpoint.size for checkpoint in self.checkpoints]
        known_n = max([self.head.n, *sizes] if self.head else sizes, default=0)
        if self.n <= known_n:
            return self.failed(Flaw.CUT_OFF, f"entries {self.n} to {known_n} are missing")
        if self.head and self.n != self.head.n + 1:
            told = f"the head knows {self.head.n} entries and there are {self.n - 1}"
            return Failure(n=self.head.n + 1, flaw=Flaw.BEYOND_HEAD, reason=told)
        return None

    def failed(self, flaw: Flaw, reason: str) -> Failure:
        return Failure(n=self.n, flaw=flaw, reason=reason)

    def explain(self, entry: StoredEntry) -> Failure:
        """What is wrong with an entry that was refused, in the order in which one would look."""
        try:
            header = parse_header(entry.header.encode("utf-8", "surrogatepass"))
        except NotFormatOne as error:
            return self.failed(Flaw.MALFORMED, str(error))
        if (header.business, header.location) != (self.business, self.location):
            return self.failed(Flaw.WRONG_CHAIN, "an entry of another chain stands here")
        if header.n != self.n:
            return self.failed(Flaw.WRONG_NUMBER, f"entry {header.n} stands here")
        if header.prev_hash != self.prev_hash:
            told = f"it does not continue entry {self.n - 1}: one of the two was changed"
            return self.failed(Flaw.BROKEN_LINK, told)
        if rfc3339(header.recorded_at) < self.recorded_at:
            return self.failed(Flaw.RECORDED_BACKWARDS, "recorded before the entry it follows")
        if not _commits(header.facts, entry.facts, entry.facts_salt):
            return self.failed(Flaw.FACTS_CHANGED, "the facts are not those committed to")
        return self.failed(Flaw.PERSONAL_CHANGED, "the personal body is not the one committed to")

    def result(self, first_n: int, failure: Failure | None) -> Verification:
        return Verification(
            first_n=first_n,
            last_n=self.n - 1,
            head_hash=self.prev_hash,
            recorded_to=self.recorded_at,
            root=self.tree.root() if self.tree else None,
            personal=self.personal,
            erased=self.erased,
            late=tuple(self.late),
            back_dated=tuple(self.back_dated),
            holes=self.numbers.holes(),
            repeats=tuple(self.numbers.repeats),
            failure=failure,
        )


def _learn(known: set[tuple[str, ...]], header: bytes, parts: tuple[str, ...]) -> None:
    """Parse a header with parts not met before: it is sound, so are they. Raises NotFormatOne."""
    parse_header(header)
    if len(known) > _MAX_KNOWN:
        known.clear()
    known.add(parts)


def _commits(committed: str, body: str, salt: bytes) -> bool:
    try:
        return commitment(salt, body.encode()) == committed
    except ValueError:  # half a surrogate pair, or a salt of another length
        return False


def _require(holds: object) -> None:
    if not holds:
        raise NotFormatOne


def _quoted(value: object) -> str:
    return "null" if value is None else f'"{value}"'
