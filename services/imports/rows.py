"""What a reader hands over: rows with their errors and notes, the report, or a refusal.

Messages repeat what stands in the file, personal data included: they are for the person at the
terminal and for the staging table, never for a log.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

RowT_co = TypeVar("RowT_co", covariant=True)


class CellError(Exception):
    """One value that cannot be read; whoever knows the row and the column adds them."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code, self.message = code, message


class FileRefused(Exception):
    """Nothing of the file can be imported as it stands; the message says what to do."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code, self.message = code, message


@dataclass(frozen=True, slots=True, kw_only=True)
class RowError:
    """Why a row cannot be imported. `column` is the name that stands in the file."""

    row: int
    column: str
    code: str
    message: str

    def __str__(self) -> str:
        where = f"Row {self.row}, {self.column}" if self.column else f"Row {self.row}"
        return f"{where}: {self.message} [{self.code}]"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRow(Generic[RowT_co]):
    """One row as read: `value` is None exactly when there are errors.

    `number` is the row as a spreadsheet counts it (the header counts, a line break inside quotes
    does not), or the ordinal of the event in a calendar; it never falls. `line` is the line in the
    file, for a text editor. `notes` say what was changed or assumed on the way.
    """

    number: int
    line: int
    value: RowT_co | None
    errors: tuple[RowError, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What the survey found and decided, before any row is read."""

    file_name: str
    sha256: str
    size_bytes: int
    #: Rows below the header that are not empty, or events: the total for a progress bar.
    rows: int
    encoding: str
    columns: tuple[tuple[str, str], ...] = ()
    ignored_columns: tuple[str, ...] = ()
    absent_columns: tuple[str, ...] = ()
    #: One sentence for each decision, in the order in which they were taken.
    decisions: tuple[str, ...] = ()

    def sentences(self) -> list[str]:
        """The report for a person to read."""
        lines = [f"{self.file_name}: {self.rows} rows, {self.size_bytes} bytes.", *self.decisions]
        if self.columns:
            used = ", ".join(f"{header} as {name}" for name, header in self.columns)
            lines.append(f"Columns read: {used}.")
        if self.ignored_columns:
            lines.append(f"Columns not read: {', '.join(self.ignored_columns)}.")
        if self.absent_columns:
            lines.append(f"Columns the file does not have: {', '.join(self.absent_columns)}.")
        return lines


class Source(Protocol[RowT_co]):
    """A surveyed file, ready to be read as often as needed."""

    @property
    def report(self) -> Report: ...

    def rows(self, after: int = 0) -> Iterator[ReadRow[RowT_co]]:
        """The rows whose number is above `after`, in order; the same ones every time."""
        ...
