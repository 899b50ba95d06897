"""Large files: memory stays bounded however many rows there are."""

import gc
import sys
import tracemalloc
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice

from services.imports import headers, tables
from services.imports.client_files import open_clients
from services.imports.sheets import Sheet, report_of, survey_column
from services.imports.visit_files import open_visits
from tests.imports.files import CHICAGO, DIRECTORY, NOW, TODAY, WHO, WINDOW

ROWS = 50_000
MEBIBYTE = 1 << 20


@contextmanager
def at_most(mebibytes: int):
    """The block's peak of traced memory stays below so many MiB."""
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < mebibytes * MEBIBYTE


def large_file(folder, rows: int):
    path = folder / "clients.csv"
    with path.open("w") as out:
        out.write("No,name,notes\n")
        for n in range(rows):
            out.write(f"{n},Ana Quillamoor,{'likes tea ' * 25}\n")
    return path


@dataclass(frozen=True, slots=True)
class NumberAndNotes:
    """As little of a row as can be read, so that the reading itself is what is measured."""

    number: str
    notes: str

    @property
    def keys(self) -> tuple[str, ...]:
        return (self.number,)


def test_50_000_rows_are_surveyed_and_read_in_bounded_memory(tmp_path):
    path = large_file(tmp_path, ROWS)
    assert path.stat().st_size > 12 * MEBIBYTE
    with at_most(1):
        table = tables.survey(path, headers.CLIENTS)
        counted = survey_column(table, "name", lambda _row, _text: None)
    sheet = Sheet(
        table,
        report_of(path, table, counted, []),
        lambda cells: NumberAndNotes(cells.text("source_id"), cells.text("notes")),
    )
    # A hash and a number for each row, by which repeated rows are found; the rows are 13 MB.
    with at_most(10):
        read = sum(row.value is not None for row in sheet.rows())
    assert counted == read == ROWS


def test_clients_that_were_read_leave_next_to_nothing_behind(tmp_path):
    path = large_file(tmp_path, 6_000)
    rows = open_clients(path, place=CHICAGO, today=TODAY).rows()
    assert all(row.value for row in islice(rows, 1_000))
    gc.collect()
    before = sys.getallocatedblocks()
    assert all(row.value for row in islice(rows, 4_000))
    gc.collect()
    # A hash and a number; a row that was kept would be ten blocks and more.
    assert sys.getallocatedblocks() - before < 3 * 4_000


def test_reading_goes_on_from_the_middle_of_a_large_file(tmp_path):
    path = large_file(tmp_path, 3_000)
    sheet = open_clients(path, place=CHICAGO, today=TODAY)
    first = list(islice(sheet.rows(), 1_000))
    rest = list(sheet.rows(after=first[-1].number))
    assert [row.value.source_id for row in [*first, *rest]] == [str(n) for n in range(3_000)]


def test_a_calendar_of_ten_megabytes_is_read_in_bounded_memory(tmp_path):
    path = tmp_path / "visits.ics"
    attachment = "ATTACH:" + "x" * 10_000
    body = "\r\n".join(["DTSTART:20260310T150000Z", "DURATION:PT1H", *WHO, attachment])
    with path.open("w", newline="") as out:
        out.write("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\n")
        for n in range(1_000):
            out.write(f"BEGIN:VEVENT\r\nUID:{n}@example.com\r\n{body}\r\nEND:VEVENT\r\n")
        out.write("END:VCALENDAR\r\n")
    assert path.stat().st_size > 10_000_000
    with at_most(4):
        source = open_visits(path, place=CHICAGO, directory=DIRECTORY, window=WINDOW, now=NOW)
        read = sum(row.value is not None for row in source.rows())
    assert source.report.rows == read == 1_000
