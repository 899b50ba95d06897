"""A calendar file (RFC 5545) taken apart by events without loading it: an index of where they are.

All events of one UID belong together (a series and its changed instances), so the index groups
them; each group is read from the file on its own.
"""

import hashlib
import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from services.imports import encodings
from services.imports.rows import FileRefused
from services.imports.tables import demand_file

#: One event of a spa's calendar has a few hundred bytes; what is larger carries attachments.
LARGEST_EVENT_BYTES = 8 << 20
_FOLD = re.compile(rb"\r?\n[ \t]")
# An alarm may have a UID of its own (RFC 9074), which is not the event's.
_ALARM = re.compile(
    rb"^BEGIN:VALARM\b.*?^END:VALARM\b[^\n]*\n?", re.DOTALL | re.MULTILINE | re.IGNORECASE
)
# What a visit can be read from; attachments, alarms and private properties only cost time.
_USED = re.compile(
    rb"^(?:BEGIN|END|UID|DTSTAMP|DTSTART|DTEND|DURATION|RECURRENCE-ID|RRULE|RDATE|EXDATE|SEQUENCE|"
    rb"STATUS|SUMMARY|DESCRIPTION|LOCATION|RESOURCES|CATEGORIES|ATTENDEE|ORGANIZER)[;:]",
    re.IGNORECASE,
)
_UID = re.compile(rb"^UID(?:;[^:\r\n]*)?:([^\r\n]*)", re.MULTILINE | re.IGNORECASE)
_START = re.compile(
    rb'^DTSTART((?:;(?:"[^"\r\n]*"|[^":\r\n])*)?):([^\r\n]*)', re.MULTILINE | re.IGNORECASE
)
_TZID = re.compile(rb';TZID=(?:"([^"]*)"|([^";:]*))', re.IGNORECASE)
_KEPT = ("VEVENT", "VTIMEZONE")
_NOT_VISITS = ("VTODO", "VJOURNAL", "VFREEBUSY")


@dataclass(slots=True)
class EventIndex:
    """Where each event stands, grouped by UID in the order of the groups' first events.

    Ordinals count the file's events from 1. Events without a UID are groups of one.
    """

    path: Path
    size_bytes: int
    modified_ns: int
    encoding: encodings.Encoding
    sha256: str = ""
    #: VTIMEZONE components, unfolded.
    zones: list[bytes] = field(default_factory=list)
    #: Calendar properties by name in capitals; the first of each counts.
    properties: dict[str, str] = field(default_factory=dict)
    #: How many events start in UTC, in floating time, on a whole day, and in each named zone.
    starts: Counter[str] = field(default_factory=Counter)
    #: Components that are no events.
    others: Counter[str] = field(default_factory=Counter)
    _offsets: "array[int]" = field(default_factory=lambda: array("Q"))
    _sizes: "array[int]" = field(default_factory=lambda: array("L"))
    _lines: "array[int]" = field(default_factory=lambda: array("L"))
    _groups: dict[bytes, list[int]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self._offsets)

    def add(self, offset: int, line: int, raw: bytes) -> None:
        """Take in the event whose bytes begin at `offset`, in line `line`."""
        self._offsets.append(offset)
        self._sizes.append(len(raw))
        self._lines.append(line)
        text = _ALARM.sub(b"", unfolded(raw))
        uid = _UID.search(text)
        ordinal = len(self._offsets)
        key = hashlib.blake2b(uid[1].strip(), digest_size=16).digest() if uid else b""
        self._groups.setdefault(key or ordinal.to_bytes(8), []).append(ordinal)
        self.starts[_kind_of_start(text)] += 1

    # Read again from the file: the index of a large calendar stays a few numbers an event.
    def groups(self, after: int = 0) -> Iterator[tuple[int, list[tuple[int, bytes]]]]:
        """Each group above `after` as its first ordinal and its events (line, the lines of use)."""
        stat = self.path.stat()
        if (stat.st_size, stat.st_mtime_ns) != (self.size_bytes, self.modified_ns):
            raise FileRefused(
                "file-changed",
                f"{self.path.name} was changed while it was being read. Start the import again.",
            )
        with self.path.open("rb") as stream:
            for ordinals in self._groups.values():
                if ordinals[0] > after:
                    yield ordinals[0], [self._event(stream, ordinal) for ordinal in ordinals]

    def _event(self, stream: BinaryIO, ordinal: int) -> tuple[int, bytes]:
        stream.seek(self._offsets[ordinal - 1])
        raw = stream.read(self._sizes[ordinal - 1])
        lines = _ALARM.sub(b"", unfolded(raw)).splitlines()
        return self._lines[ordinal - 1], b"\r\n".join([*filter(_USED.match, lines), b""])


def unfolded(raw: bytes) -> bytes:
    """Content lines put together again (RFC 5545 section 3.1); a fold may cut a character in two."""
    return _FOLD.sub(b"", raw)


def _kind_of_start(text: bytes) -> str:
    found = _START.search(text)
    if not found:
        return "no start"
    if len(found[2].strip()) == len("YYYYMMDD"):
        return "whole day"
    if zone := _TZID.search(found[1]):
        return (zone[1] or zone[2] or b"").decode("utf-8", "replace")
    return "UTC" if found[2].strip().upper().endswith(b"Z") else "floating"


def index_events(path: Path, *, encoding: str = "") -> EventIndex:
    """Index the calendar at `path`. Raises FileRefused for what is no calendar or is cut off."""
    stat = demand_file(path)
    found = encodings.detect(_unfolded_lines(path), encoding)
    if found.codec.startswith(("utf-16", "utf-32")):
        raise FileRefused(
            "calendar-encoding",
            f"{path.name} is {found.name}; calendars are UTF-8 (RFC 5545). Save it as UTF-8.",
        )
    index = EventIndex(
        path=path, size_bytes=stat.st_size, modified_ns=stat.st_mtime_ns, encoding=found
    )
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        _Scan(index).run(stream, digest.update)
    index.sha256 = digest.hexdigest()
    return index


def _unfolded_lines(path: Path) -> Iterator[bytes]:
    """Whole content lines for judging their bytes; each fold leaves a line end, to keep count."""
    with path.open("rb") as stream:
        pending, folds = b"", 0
        for line in stream:
            if line[:1] in (b" ", b"\t"):
                pending, folds = pending.rstrip(b"\r\n") + line[1:], folds + 1
                continue
            yield pending + b"\n" * folds
            pending, folds = line, 0
        yield pending


class _Scan:
    """One pass over the lines; only the component that is open is held."""

    def __init__(self, index: EventIndex) -> None:
        self.index = index
        self.line = self.offset = self.begun = self.ended = 0
        self.open = ""
        self.first = (0, 0)
        self.kept: list[bytes] = []
        self.kept_bytes = 0

    def run(self, stream: BinaryIO, update: Callable[[bytes], object]) -> None:
        while raw := stream.readline(LARGEST_EVENT_BYTES):
            update(raw)
            self.line += 1
            self._take(raw)
            self.offset += len(raw)
        name = self.index.path.name
        if not self.begun:
            raise FileRefused(
                "calendar-missing",
                f"{name} is no calendar: it has no BEGIN:VCALENDAR. Export the calendar as .ics.",
            )
        if self.open or self.begun != self.ended:
            raise FileRefused(
                "calendar-cut-off",
                f"{name} is cut off at line {self.line}: an END is missing. Export or copy it again.",
            )

    def _take(self, raw: bytes) -> None:
        word, _, name = raw.strip().removeprefix(b"\xef\xbb\xbf").upper().partition(b":")
        kind = name.decode("ascii", "replace") if word in (b"BEGIN", b"END") else ""
        if word == b"BEGIN" and kind in _KEPT:
            self._begin(kind)
        if self.open:
            self._keep(raw)
            if word == b"END" and kind == self.open:
                self._end()
        elif word == b"BEGIN":
            self.begun += kind == "VCALENDAR"
            self.index.others[kind] += kind in _NOT_VISITS
        elif word == b"END":
            self.ended += kind == "VCALENDAR"
        else:
            self._note_property(raw)

    def _begin(self, kind: str) -> None:
        if self.open:
            raise FileRefused(
                "calendar-broken",
                f"The {self.open} that begins in line {self.first[1]} has no END before line"
                f" {self.line}. Correct it, or export the calendar again.",
            )
        self.open, self.first, self.kept, self.kept_bytes = kind, (self.offset, self.line), [], 0

    def _keep(self, raw: bytes) -> None:
        self.kept.append(raw)
        self.kept_bytes += len(raw)
        if self.kept_bytes > LARGEST_EVENT_BYTES:
            raise FileRefused(
                "event-too-large",
                f"The event that begins in line {self.first[1]} is larger than"
                f" {LARGEST_EVENT_BYTES >> 20} MiB. Export the calendar without attachments.",
            )

    def _end(self) -> None:
        raw = b"".join(self.kept)
        if self.open == "VEVENT":
            self.index.add(*self.first, raw)
        else:
            self.index.zones.append(unfolded(raw))
        self.open, self.kept = "", []

    def _note_property(self, raw: bytes) -> None:
        name, colon, value = raw.strip().partition(b":")
        if colon:
            key = name.partition(b";")[0].decode("ascii", "replace").upper()
            self.index.properties.setdefault(key, value.decode("utf-8", "replace"))
