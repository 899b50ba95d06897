"""Checks a copy of an evidence log with nothing but this file and Python 3.9 or newer.

    python3 verify_bundle.py FOLDER [--kept FILE]

FOLDER holds entries.ndjson and checkpoints.txt. FILE holds a checkpoint that you kept from an
earlier visit, or were sent: only what you already held can speak against the folder. Exit code 0:
verified; 1: not verified, with the entry at which it fails; 2: there was nothing to check.

It shares no code with the program that made the copy, on purpose: it is the second opinion.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import re
import sys
from collections import Counter
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

LATE = timedelta(minutes=15)  # house policy: recorded later than this is listed
CLOCK_SKEW = timedelta(minutes=5)  # house policy: clocks of one house differ by less
LISTED = 20

ID = re.compile("[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
HEX = re.compile("[0-9a-f]{64}")
WORD = re.compile("[a-z][a-z0-9_]*")
KIND = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*")
TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z")
LARGEST = 10**15 - 1

LINE_KEYS = ["facts", "facts_salt", "header", "personal", "personal_salt"]
# Every field of a header: what its text must look like (int: a number from 1), and may it be null.
HEADER_FIELDS = {
    "auth": (WORD, False),
    "body_v": (int, False),
    "business": (ID, False),
    "device": (ID, True),
    "device_entry_n": (int, True),
    "kind": (KIND, False),
    "location": (ID, True),
    "n": (int, False),
    "occurred_at": (TIME, False),
    "prev_hash": (HEX, True),
    "recorded_at": (TIME, False),
}
ACTOR_FIELDS = {"person": (ID, True), "role": (WORD, True)}
COMMITMENT_FIELDS = {"facts": (HEX, False), "personal": (HEX, True)}


class NotVerified(Exception):
    """The copy is not whole; the text says where and why."""


class NothingToCheck(Exception):
    """A file is missing or is not what it should be."""


class Checkpoint(NamedTuple):
    origin: str
    size: int
    root: bytes
    at: datetime
    source: str


class Reading:
    """What is known after the entries read so far."""

    def __init__(self, checkpoints: list[Checkpoint]) -> None:
        self.checkpoints = checkpoints
        self.matched = 0
        self.n = 0
        self.chain: tuple[str, str | None] | None = None
        self.hash: bytes | None = None
        self.first_time = self.last_time = ""
        self.not_before = ""
        self.subtrees: list[tuple[int, bytes]] = []
        self.personal = self.absent = 0
        self.late: list[tuple[int, timedelta]] = []
        self.back_dated: list[int] = []
        self.device_numbers: dict[str, list[int]] = {}

    def read(self, line: str) -> None:
        """Check the next line of entries.ndjson; raises NotVerified."""
        entry = parsed(line)
        check(isinstance(entry, dict) and sorted(entry) == LINE_KEYS, "the line is not an entry")
        check(canonical(entry) == line, "the line has another form than it is written in")
        header = parse_header(entry["header"])
        self.check_place(header)
        self.check_bodies(entry, header["commitments"])
        self.note(header)
        self.n += 1
        self.hash = sha256(b"\x00", entry["header"].encode())
        self.add_leaf(self.hash)
        for checkpoint in self.checkpoints:
            if checkpoint.size == self.n:
                self.check_root(checkpoint)

    def check_place(self, header: dict[str, Any]) -> None:
        """The entry belongs to this chain and follows the entry before it."""
        chain = (header["business"], header["location"])
        if self.chain is None:
            self.chain, self.first_time = chain, header["recorded_at"]
            for checkpoint in self.checkpoints:
                if checkpoint.origin != self.origin():
                    told = f"a checkpoint in {checkpoint.source} is of {checkpoint.origin}"
                    raise NothingToCheck(f"{told}, these entries are of {self.origin()}")
        check(chain == self.chain, "an entry of another chain stands here")
        check(header["n"] == self.n + 1, f"entry {header['n']} stands here")
        previous = None if self.hash is None else self.hash.hex()
        told = f"it does not continue entry {self.n}: one of the two was changed"
        check(header["prev_hash"] == previous, told)
        check(header["recorded_at"] >= self.last_time, "recorded before the entry it follows")
        self.last_time = header["recorded_at"]

    def check_bodies(self, entry: dict[str, Any], committed: dict[str, Any]) -> None:
        """Facts are as committed to; a personal body too, or it is not here."""
        facts = commitment(entry["facts"], entry["facts_salt"])
        check(facts == committed["facts"], "the facts are not those committed to")
        if entry["personal"] is None and entry["personal_salt"] is None:
            self.absent += committed["personal"] is not None
            return
        personal = commitment(entry["personal"], entry["personal_salt"])
        told = "the personal body is not the one committed to"
        check(personal == committed["personal"], told)
        self.personal += 1

    def note(self, header: dict[str, Any]) -> None:
        """Keep what a reader should look at, though nothing was tampered with."""
        by = instant(header["recorded_at"]) - instant(header["occurred_at"])
        if by > LATE:
            self.late.append((self.n + 1, by))
        if header["recorded_at"] < self.not_before:
            self.back_dated.append(self.n + 1)
        if header["device_entry_n"] is not None:
            numbers = self.device_numbers.setdefault(header["device"], [])
            numbers.append(header["device_entry_n"])

    def add_leaf(self, leaf: bytes) -> None:
        """RFC 6962: two subtrees of one size become one of twice the size."""
        size = 1
        while self.subtrees and self.subtrees[-1][0] == size:
            leaf = sha256(b"\x01", self.subtrees.pop()[1], leaf)
            size *= 2
        self.subtrees.append((size, leaf))

    def root(self) -> bytes:
        """The Merkle tree hash of RFC 6962 over all entries so far."""
        result = self.subtrees[-1][1]
        for _, left in reversed(self.subtrees[:-1]):
            result = sha256(b"\x01", left, result)
        return result

    def check_root(self, checkpoint: Checkpoint) -> None:
        """The tree so far is the one that the checkpoint noted."""
        if self.root() != checkpoint.root:
            told = f"entries 1 to {self.n} are not those of the checkpoint in {checkpoint.source}"
            raise NotVerified(f"entry {self.n}: {told}")
        self.matched += 1
        self.not_before = max(self.not_before, written(checkpoint.at - CLOCK_SKEW))

    def check_end(self) -> None:
        """Every entry that a checkpoint knows of is here."""
        largest = max((checkpoint.size for checkpoint in self.checkpoints), default=0)
        if largest > self.n:
            told = f"entries {self.n + 1} to {largest} are missing: a checkpoint knows of them"
            raise NotVerified(f"entry {self.n + 1}: {told}")

    def origin(self) -> str:
        """The name of this chain in checkpoints."""
        business, location = self.chain or ("", None)
        return f"spa/{location or business}"


def verify_folder(folder: Path, kept: list[Checkpoint]) -> Reading:
    """Read the whole folder; raises NotVerified or NothingToCheck."""
    try:
        # Only a line feed ends a line here: other separators may stand in a text.
        with (folder / "entries.ndjson").open(encoding="utf-8", newline="\n") as lines:
            return verify_lines(lines, read_checkpoints(folder / "checkpoints.txt") + kept)
    except OSError as error:
        raise NothingToCheck(f"entries.ndjson cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise NotVerified("entries.ndjson is not text in UTF-8") from error


def verify_lines(lines: Iterable[str], checkpoints: list[Checkpoint]) -> Reading:
    """Read the lines of entries.ndjson; raises NotVerified or NothingToCheck."""
    reading = Reading(checkpoints)
    for line in lines:
        try:
            reading.read(line.removesuffix("\n"))
        except ValueError as error:
            raise NotVerified(f"entry {reading.n + 1}: {error}") from error
        if reading.n % 50_000 == 0 and sys.stderr.isatty():
            sys.stderr.write(f"\r{reading.n} entries read")
    reading.check_end()
    return reading


def read_checkpoints(path: Path) -> list[Checkpoint]:
    """The checkpoints of a file: four lines each, an empty line between two."""
    try:
        text = path.read_text(encoding="utf-8")
        blocks = text.removesuffix("\n").split("\n\n") if text.strip() else []
        return [parse_checkpoint(block, path.name) for block in blocks]
    except OSError as error:
        raise NothingToCheck(f"{path.name} cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise NothingToCheck(f"{path.name} holds no checkpoints: {error}") from error


def parse_checkpoint(block: str, source: str) -> Checkpoint:
    """Origin, size, root and time; raises ValueError."""
    lines = block.split("\n")
    check(len(lines) == 4, "a checkpoint has four lines")
    origin, size, root, at = lines
    check(re.fullmatch("[1-9][0-9]{0,14}", size), "the size is no number of entries")
    check(re.fullmatch("spa/.+", origin), "it names no chain")
    hashed = base64.b64decode(root)
    spelling = base64.b64encode(hashed).decode()
    check(len(hashed) == 32 and spelling == root, "the root is not 32 bytes in base64")
    return Checkpoint(origin, int(size), hashed, instant(at), source)


def parse_header(text: Any) -> dict[str, Any]:
    """The content of a header; raises ValueError unless it is canonical JSON of format 1."""
    header = parsed(text)
    check(isinstance(header, dict) and "v" in header, "the header is not of format 1")
    flat = dict(header)
    # In Python true equals 1, and in a header it must not.
    check(flat["v"] == 1 and type(flat.pop("v")) is int, "the header is not of format 1")
    check_fields(flat.pop("actor", None), ACTOR_FIELDS)
    check_fields(flat.pop("commitments", None), COMMITMENT_FIELDS)
    check_fields(flat, HEADER_FIELDS)
    # All texts in a header are plain ASCII by their patterns, so this is RFC 8785.
    check(canonical(header) == text, "the header is not in canonical form")
    check((header["n"] == 1) == (header["prev_hash"] is None), "only entry 1 has no previous hash")
    has_no_device = header["device"] is None and header["device_entry_n"] is not None
    check(not has_no_device, "the header has a device's number and no device")
    return dict(header)


def check_fields(values: Any, fields: dict[str, Any]) -> None:
    """Exactly these fields, each of its form; raises ValueError."""
    check(isinstance(values, dict) and values.keys() == fields.keys(), "the header is malformed")
    for name, (form, may_be_null) in fields.items():
        value = values[name]
        if value is None:
            check(may_be_null, f"{name} is null in the header")
        elif form is int:
            check(type(value) is int and 1 <= value <= LARGEST, f"{name} is no number from 1")
        else:
            check(isinstance(value, str) and form.fullmatch(value), f"{name} is malformed")


def parsed(text: Any) -> Any:
    """JSON; raises ValueError. What two readers could read in two ways fails its canonical form."""
    check(isinstance(text, str), "a text is missing")
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError("the line is nested without end") from error


def canonical(value: Any) -> str:
    """JSON with sorted keys, no spaces and escapes for all that is not ASCII."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"))


def commitment(body: Any, salt: Any) -> str:
    """What a header keeps of a body; raises ValueError for what is none."""
    check(isinstance(body, str), "a body is missing")
    check(isinstance(salt, str) and HEX.fullmatch(salt), "a salt is not 32 bytes")
    return sha256(bytes.fromhex(salt), body.encode()).hex()


def sha256(*parts: bytes) -> bytes:
    """SHA-256 of the parts, one after the other."""
    return hashlib.sha256(b"".join(parts)).digest()


def instant(text: str) -> datetime:
    """A time as it is written here; raises ValueError for 30 February and for other forms."""
    check(TIME.fullmatch(text), f"{text} is no time of the form used here")
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%f%z")


def written(at: datetime) -> str:
    """The text of an instant; such texts sort as the instants do."""
    return at.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def check(holds: Any, otherwise: str) -> None:
    """Raises ValueError with this sentence unless it holds."""
    if not holds:
        raise ValueError(otherwise)


def holes(numbers: list[int]) -> list[tuple[int, int]]:
    """The gaps between 1 and the largest of these numbers."""
    gaps, expected = [], 1
    for number in sorted(set(numbers)):
        if number > expected:
            gaps.append((expected, number - 1))
        expected = number + 1
    return gaps


def report(reading: Reading, kept: list[Checkpoint]) -> Iterable[str]:
    """What was found, line by line."""
    yield f"chain        {reading.origin()} of business {reading.chain and reading.chain[0]}"
    yield f"entries      1 to {reading.n}, each there once; {reading.n - 1} links hold"
    yield f"recorded     {reading.first_time} to {reading.last_time}, never backwards"
    yield f"facts        {reading.n} as committed to"
    yield f"personal     {reading.personal} as committed to, {reading.absent} erased or withheld"
    yield f"root         {base64.b64encode(reading.root()).decode()}"
    yield f"checkpoints  {reading.matched} of {len(reading.checkpoints)} match the root then"
    for checkpoint in kept:
        told = f"{checkpoint.size} of {written(checkpoint.at)}; {reading.n - checkpoint.size} since"
        yield f"kept         the log only grew from your {told}"
    if not kept:
        yield "             None is your own: give one you hold with --kept to rule out a rewrite."
    yield from looked_at(reading)


def looked_at(reading: Reading) -> Iterable[str]:
    """What is no tampering and still deserves a question."""
    late = [f"{n} ({by.total_seconds() / 60:.0f} min)" for n, by in reading.late]
    yield from listed("late", "recorded over 15 min after it is said to have happened", late)
    back_dated = map(str, reading.back_dated)
    yield from listed("back-dated", "recorded before a checkpoint that lacks it", back_dated)
    for device, numbers in sorted(reading.device_numbers.items()):
        gaps = [str(a) if a == b else f"{a}-{b}" for a, b in holes(numbers)]
        yield from listed("holes", f"numbers of device {device} that never came", gaps)
        twice = sorted(number for number, times in Counter(numbers).items() if times > 1)
        yield from listed("twice", f"numbers of device {device} that came again", map(str, twice))


def listed(name: str, what: str, items: Iterable[str]) -> Iterable[str]:
    """One line with the first few of many, or none."""
    found = list(items)
    more = f" and {len(found) - LISTED} more" if len(found) > LISTED else ""
    if found:
        yield f"{name:<12} {what}: {', '.join(found[:LISTED])}{more}"


def main(arguments: list[str] | None = None) -> int:
    """Runs the check and prints what was found; the exit code says how it ended."""
    parser = argparse.ArgumentParser(description="Checks a copy of an evidence log.")
    parser.add_argument("folder", type=Path, nargs="?", default=Path())
    parser.add_argument("--kept", type=Path, help="a file with checkpoints that you kept")
    options = parser.parse_args(arguments)
    try:
        kept = read_checkpoints(options.kept) if options.kept else []
        if options.kept and not kept:
            raise NothingToCheck(f"{options.kept} holds no checkpoint")
        reading = verify_folder(options.folder, kept)
        if not reading.n:
            raise NothingToCheck("there are no entries")
    except NotVerified as error:
        say(f"NOT VERIFIED  {error}")
        return 1
    except NothingToCheck as error:
        say(f"NOTHING TO CHECK  {error}")
        return 2
    for line in report(reading, kept):
        say(line)
    say("VERIFIED")
    return 0


def say(line: str) -> None:
    """Print a line, whatever the terminal can show and whatever the copy had in it."""
    sys.stdout.write(re.sub("[^ -~]", lambda found: ascii(found[0])[1:-1], line) + "\n")


if __name__ == "__main__":
    sys.exit(main())
