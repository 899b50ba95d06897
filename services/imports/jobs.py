"""What was asked for, what came of it, and the shape that each kind of import has."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, Protocol

from services.imports.dates import DateOrder
from services.imports.rows import CellError, RowError, Source
from services.imports.sheets import Place
from services.models import ImportRow
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One import as asked for at the terminal.

    `source` names where clients were kept before; `read_from` and `read_until` bound a calendar.
    """

    actor: Actor
    location: Location
    path: Path
    now: datetime
    dates: DateOrder | None = None
    encoding: str = ""
    source: str = ""
    ignored_words: tuple[str, ...] = ()
    read_from: date | None = None
    read_until: date | None = None
    skip_bad: bool = False
    dry_run: bool = False

    @property
    def place(self) -> Place:
        at = self.location
        return Place(country=at.country, zone=at.zone, currency=at.currency)

    @property
    def today(self) -> date:
        return local_date(self.now, self.location.zone)


@dataclass(slots=True, kw_only=True)
class Tally:
    """What became of the rows. `left_out` counts rows with errors, found before and now."""

    rows: int = 0
    added: int = 0
    linked: int = 0
    cancelled: int = 0
    already_there: int = 0
    left_out: int = 0
    #: Found while rows were compared with what the business has: clashes, for instance.
    errors: list[RowError] = field(default_factory=list)
    #: Sentences for a person.
    remarks: list[str] = field(default_factory=list)
    #: Remarks by their code, as many as there are rows.
    noted: Counter[str] = field(default_factory=Counter)

    def fail(self, row: ImportRow, column: str, code: str, message: str) -> None:
        """This row cannot be applied after all."""
        self.errors.append(RowError(row=row.number, column=column, code=code, message=message))
        self.left_out += 1

    def counts(self) -> dict[str, int]:
        """The figures that the evidence entry and the run keep."""
        names = ("rows", "added", "linked", "cancelled", "already_there", "left_out")
        return {name: getattr(self, name) for name in names}


@dataclass(frozen=True, slots=True, kw_only=True)
class Staged:
    """A good row in the form in which it waits; `health` is sealed apart from the content."""

    key: str
    content: dict[str, Any]
    health: str = ""


class Intake(Protocol):
    """One kind of import: how its file is opened, its rows are kept, and applied."""

    #: As in the command: clients, services, visits.
    what: str
    #: Whether its evidence belongs to the location's chain, or to the business's.
    of_location: bool

    def open(self, job: Job) -> Source[Any]:
        """Survey the file; raises FileRefused. Outside a transaction: a large file takes a while."""
        ...

    def read_by(self, job: Job) -> tuple[str, ...]:
        """What else than file and options decides how rows are read: after a change they are stale."""
        ...

    def staged(self, value: Any, job: Job) -> Staged:
        """The form in which a good row waits; raises CellError for what could not be kept."""
        ...

    def settle(
        self, job: Job, pages: Iterator[list[ImportRow]], tally: Tally, *, write: bool
    ) -> None:
        """Compare the rows with what the business has, count, and with `write` apply what is new.

        Rows that cannot be applied go to `tally.errors`; the others are applied all the same.
        """
        ...


def demand_length(text: str, most: int, column: str) -> None:
    """Raises CellError for a text that its column cannot hold."""
    if len(text) > most:
        raise CellError("too-long", f"The {column} is longer than {most} letters. Shorten it.")
