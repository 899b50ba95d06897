"""A CSV file as records: survey it once, then read it as often as needed, one record at a time."""

import csv
import hashlib
import io
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from services.imports import encodings, headers
from services.imports.cells import clean, shown
from services.imports.rows import FileRefused

_CHUNK = 1 << 16
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
#: A title or two may stand above the header.
_HEADER_WITHIN = 10
_STATED_DELIMITER = re.compile(r'"?sep=(.)"?', re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Record:
    """One record; `trouble` says why it could not be taken apart, and then `cells` is empty."""

    number: int
    line: int
    cells: tuple[str, ...]
    trouble: str = ""

    @property
    def is_empty(self) -> bool:
        return not self.trouble and not any(cell.strip() for cell in self.cells)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A CSV file whose encoding, delimiter and header are settled."""

    path: Path
    sha256: str
    size_bytes: int
    modified_ns: int
    encoding: encodings.Encoding
    delimiter: str
    header_number: int
    header_cells: tuple[str, ...]
    header: tuple[str, ...]
    match: headers.Match

    def records(self) -> Iterator[Record]:
        """The records below the header that are not empty and do not repeat the header.

        Raises FileRefused when the file was changed since the survey, holds bytes that its
        encoding does not allow, or a quotation mark that is never closed.
        """
        self._demand_unchanged()
        with opened(self.path, self.encoding) as stream:
            for record in split(stream, self.delimiter):
                if record.number <= self.header_number or record.is_empty:
                    continue
                # Files that were put together repeat the header in the middle.
                if record.cells != self.header_cells:
                    yield record

    def _demand_unchanged(self) -> None:
        now = self.path.stat()
        if (now.st_size, now.st_mtime_ns) != (self.size_bytes, self.modified_ns):
            raise FileRefused(
                "file-changed",
                f"{self.path.name} was changed while it was being read. Start the import again.",
            )


def survey(path: Path, layout: headers.Layout, *, encoding: str = "") -> Table:
    """Settle how to read the file at `path`. Raises FileRefused with what to do."""
    stat = demand_file(path)
    digest = hashlib.sha256()
    found = encodings.detect(_hashed(path, digest.update), encoding)
    delimiter, header = _find_header(path, found, layout)
    cells = tuple(clean(cell) for cell in header.cells)
    # Empty columns at the right edge are no columns.
    while cells and not cells[-1]:
        cells = cells[:-1]
    return Table(
        path=path,
        sha256=digest.hexdigest(),
        size_bytes=stat.st_size,
        modified_ns=stat.st_mtime_ns,
        encoding=found,
        delimiter=delimiter,
        header_number=header.number,
        header_cells=header.cells,
        header=cells,
        match=headers.match(layout, cells),
    )


def decisions(table: Table) -> list[str]:
    """How the file is being read, as sentences."""
    said = [
        table.encoding.decision,
        f"Cells are parted by {_DELIMITERS.get(table.delimiter, table.delimiter)}.",
    ]
    if table.header_number > 1:
        said.append(f"The header is row {table.header_number}; what stands above is not read.")
    return [*said, *table.match.decisions]


def demand_file(path: Path) -> os.stat_result:
    """The file's size and time. Raises FileRefused if it is not there, no file, or empty."""
    try:
        stat = path.stat()
        with path.open("rb"):
            pass
    except OSError as error:
        raise FileRefused("file-unreadable", f"{path} cannot be read: {error.strerror}.")
    if not stat.st_size:
        raise FileRefused("file-empty", f"{path.name} is empty. Export it again.")
    return stat


@contextmanager
def opened(path: Path, encoding: encodings.Encoding) -> Iterator[io.TextIOBase]:
    """The decoded file; bytes that do not fit refuse it."""
    try:
        with path.open(encoding=encoding.codec, newline="") as stream:
            yield stream
    except UnicodeError:
        raise FileRefused(
            "encoding-wrong",
            f"{path.name} is not {encoding.name} throughout. Save it again as CSV UTF-8, or say"
            " what it is with --encoding.",
        )


def split(lines: Iterable[str], delimiter: str) -> Iterator[Record]:
    """Records with their number and first line; one with stray quotation marks has `trouble`.

    Raises FileRefused for a quotation mark that is never closed: it would swallow the rest.
    """
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    number = 0
    while True:
        number, line = number + 1, reader.line_num + 1
        try:
            yield Record(number, line, tuple(next(reader)))
        except StopIteration:
            return
        except csv.Error as error:
            if "expected after" not in str(error):
                raise _never_closed(line)
            yield Record(number, line, (), _stray_quote(line, reader.line_num))


def _never_closed(line: int) -> FileRefused:
    return FileRefused(
        "quote-open",
        f"A quotation mark that is opened in line {line} is never closed. Close it, or double it"
        ' ("") where it is part of the text.',
    )


def _stray_quote(first: int, last: int) -> str:
    where = f"line {first}" if first == last else f"lines {first} to {last}, all read as one row,"
    return (
        f'A quotation mark in {where} stands in the middle of a text. Double it ("") where it is'
        " part of the text, or remove it."
    )


def _hashed(path: Path, update: Callable[[bytes], None]) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            update(chunk)
            yield chunk


def _find_header(
    path: Path, encoding: encodings.Encoding, layout: headers.Layout
) -> tuple[str, Record]:
    """The delimiter and row that make most columns; a delimiter stated in the first line wins."""
    best: tuple[int, str, Record] | None = None
    first_cells: Sequence[str] = ()
    with opened(path, encoding) as stream:
        stated = _STATED_DELIMITER.fullmatch(stream.readline(256).strip())
    for delimiter in [stated.group(1)] if stated else _DELIMITERS:
        for record in _first_records(path, encoding, delimiter):
            count = headers.recognised(layout, [clean(cell) for cell in record.cells])
            if count and (best is None or count > best[0]):
                best = (count, delimiter, record)
            first_cells = first_cells or record.cells
    if best is None:
        there = ", ".join(shown(cell) for cell in first_cells[:12]) or "nothing"
        raise FileRefused(
            "header-missing",
            f"The first rows name no column of a file of {layout.kind}. They begin with: {there}."
            f" Put a header row on top, for instance {_example(layout)}.",
        )
    return best[1], best[2]


def _first_records(path: Path, encoding: encodings.Encoding, delimiter: str) -> list[Record]:
    found: list[Record] = []
    with opened(path, encoding) as stream:
        try:
            for record in split(stream, delimiter):
                found.append(record)
                if record.number >= _HEADER_WITHIN:
                    break
        except FileRefused as refused:
            # A wrong delimiter reads quotation marks wrongly; the right one will tell.
            if refused.code != "quote-open":
                raise
    return found


def _example(layout: headers.Layout) -> str:
    return ",".join(layout.words[group[0]][0] for group in layout.required) + ",notes"
