"""From the records of a table to typed rows: errors and notes are gathered, repeats are found."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from services.imports import tables
from services.imports.cells import clean, control_character
from services.imports.rows import CellError, ReadRow, Report, RowError

T = TypeVar("T")


class Keyed(Protocol):
    """A row that can tell whether another one means the same thing."""

    @property
    def keys(self) -> tuple[str, ...]: ...


KeyedT = TypeVar("KeyedT", bound=Keyed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What the location decides: the country of its phone numbers, its zone, its currency."""

    country: str
    zone: str
    currency: str


class Cells:
    """One row's cells by column, while it is read; what goes wrong is gathered, not raised."""

    __slots__ = ("_cells", "_number", "_table", "errors", "notes")

    def __init__(self, table: tables.Table, record: tables.Record) -> None:
        self._table, self._number = table, record.number
        self._cells = [clean(cell) for cell in record.cells]
        self.errors: list[RowError] = []
        self.notes: list[str] = []
        if record.trouble:
            self.fail("", "quote-stray", record.trouble)
        else:
            self._demand_shape()

    def text(self, column: str, most: int = 0) -> str:
        """The cell's text, '' where it is empty or the file lacks the column; `most` bounds it."""
        at = self._table.match.positions.get(column)
        text = self._cells[at] if at is not None and at < len(self._cells) else ""
        if most and len(text) > most:
            self.fail(column, "too-long", f"The text is longer than {most} letters. Shorten it.")
        return text

    def read(self, column: str, parse: Callable[[str], T]) -> T | None:
        """The parsed cell, None where it is empty or wrong."""
        text = self.text(column)
        if not text:
            return None
        try:
            return parse(text)
        except CellError as error:
            self.fail(column, error.code, error.message)
            return None

    def need(self, column: str, parse: Callable[[str], T]) -> T | None:
        """As `read`, but an empty cell is an error too."""
        if not self.text(column):
            self.fail(column, "empty", f"The {column.replace('_', ' ')} is missing. Enter it.")
        return self.read(column, parse)

    def fail(self, column: str, code: str, message: str) -> None:
        name = self._table.match.names.get(column, column)
        self.errors.append(RowError(row=self._number, column=name, code=code, message=message))

    def _demand_shape(self) -> None:
        wanted = len(self._table.header)
        # Spreadsheets leave empty cells behind where somebody once typed to the right.
        while len(self._cells) > wanted and not self._cells[-1]:
            self._cells.pop()
        if len(self._cells) != wanted:
            code = "row-too-long" if len(self._cells) > wanted else "row-too-short"
            self.fail(
                "",
                code,
                f"The row has {len(self._cells)} cells, the header {wanted}. Put text that holds"
                " a separator or a line break in quotation marks.",
            )
        for at, cell in enumerate(self._cells[:wanted]):
            if name := control_character(cell):
                self._fail_at(at, name)

    def _fail_at(self, at: int, name: str) -> None:
        what = "a NUL byte" if name == "U+0000" else f"the control character {name}"
        self.errors.append(
            RowError(
                row=self._number,
                column=self._table.header[at],
                code="control-character",
                message=f"The cell holds {what}. Enter its text again.",
            )
        )


class Sheet(Generic[KeyedT]):
    """A surveyed spreadsheet whose rows `read` turns into values.

    The one thing that grows with the file is a table of 8-byte hashes, by which a row that means
    the same as an earlier good one is found.
    """

    def __init__(
        self, table: tables.Table, report: Report, read: Callable[[Cells], KeyedT | None]
    ) -> None:
        self._table, self._report, self._read = table, report, read

    @property
    def report(self) -> Report:
        return self._report

    def rows(self, after: int = 0) -> Iterator[ReadRow[KeyedT]]:
        """The rows numbered above `after`; earlier ones are read again only for their hashes."""
        seen: dict[int, int] = {}
        for record in self._table.records():
            cells = Cells(self._table, record)
            # A row that cannot be taken apart would only give misleading errors for its cells.
            value = None if cells.errors else self._read(cells)
            # A bad row leaves no hash: its corrected copy further down is not a repeat.
            if value is not None and not cells.errors:
                self._demand_new(cells, value.keys, seen, record.number)
            if record.number > after:
                yield ReadRow(
                    number=record.number,
                    line=record.line,
                    value=None if cells.errors else value,
                    errors=tuple(cells.errors),
                    notes=tuple(cells.notes),
                )

    def _demand_new(
        self, cells: Cells, keys: tuple[str, ...], seen: dict[int, int], number: int
    ) -> None:
        hashes = [hash(key) for key in keys]
        if first := next((seen[h] for h in hashes if h in seen), None):
            cells.fail(
                "",
                "row-repeated",
                f"It means the same as row {first}. Keep one of them, with the data of both.",
            )
            return
        for key_hash in hashes:
            seen[key_hash] = number


def survey_column(table: tables.Table, column: str, look: Callable[[int, str], object]) -> int:
    """The first pass: show each row's number and cell of `column` to `look`, and count the rows."""
    count = 0
    at = table.match.positions.get(column)
    for record in table.records():
        count += 1
        if at is not None and at < len(record.cells):
            look(record.number, clean(record.cells[at]))
    return count


def report_of(path: Path, table: tables.Table, rows: int, decisions: list[str]) -> Report:
    """The report of a surveyed spreadsheet."""
    return Report(
        file_name=path.name,
        sha256=table.sha256,
        size_bytes=table.size_bytes,
        rows=rows,
        encoding=table.encoding.name,
        columns=tuple(table.match.names.items()),
        ignored_columns=table.match.ignored,
        absent_columns=table.match.absent,
        decisions=(*tables.decisions(table), *decisions),
    )
