"""Dates as people type them; day-first or month-first is decided over the whole column or asked.

Two-digit years mean the latest year that makes the date not lie after today: right for birth
dates, which is what these files hold.
"""

import re
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from services.imports.cells import fold, shown
from services.imports.rows import CellError, FileRefused

#: House policy: nobody alive is older, so an earlier date is a slip or a placeholder.
OLDEST_YEARS = 120
_SHOWN_ROWS = 3

_NUMERIC = re.compile(r"([0-9]{1,4})[ ]?([./\- ])[ ]?([0-9]{1,2})[ ]?\2[ ]?([0-9]{1,4})")
_TIME_OF_DAY = re.compile(r"[T ][0-9]{1,2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?( ?[AaPp]\.?[Mm]\.?)?Z?$")
_COMPACT = re.compile(r"(1[89]|20)([0-9]{2})([0-9]{2})([0-9]{2})")
_DAY_COUNT = re.compile(r"[0-9]{5}(\.[0-9]+)?")
_WITHOUT_YEAR = re.compile(r"[0-9]{1,2}[./\-][0-9]{1,2}[./\-]?")
_WORDS = re.compile(r"[0-9]+|[^\W\d_]+")
# "3rd", "1er", "2nd" and the little words of the four languages.
_FILLERS = {"st", "nd", "rd", "th", "er", "de", "del", "of", "the", "le", "am", "den"}
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january januar janner enero janvier ene janv",
            "february februar feber febrero fevrier fev fevr",
            "march marz maerz marzo mars mrz",
            "april abril avril abr avr",
            "may mai mayo",
            "june juni junio juin",
            "july juli julio juillet juil",
            "august agosto aout ago",
            "september septiembre setiembre septembre sept",
            "october oktober octubre octobre okt",
            "november noviembre novembre",
            "december dezember diciembre decembre dez dic",
        ),
        start=1,
    )
    for full in names.split()
    # The three-letter form of the English and German names; "jui" and "mar" are settled by order.
    for name in {full, full[:3]}
    if name != "jui"
}


class DateOrder(StrEnum):
    """Which number comes first where both could be a month; the values of `--dates`."""

    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"


@dataclass(slots=True)
class DateColumn:
    """What the values of one column say about its order; filled by the first pass."""

    name: str
    either: list[int] = field(default_factory=list)
    either_count: int = 0
    day_first: list[int] = field(default_factory=list)
    day_first_count: int = 0
    month_first: list[int] = field(default_factory=list)
    month_first_count: int = 0

    def add(self, row: int, text: str) -> None:
        """Take the date in `row` into account."""
        parts = _numeric_parts(text)
        if parts is None:
            return
        first, second, _ = parts
        if 31 >= first > 12 >= second:
            self.day_first_count += 1
            _remember(self.day_first, row)
        elif 31 >= second > 12 >= first:
            self.month_first_count += 1
            _remember(self.month_first, row)
        elif first != second and max(first, second) <= 12:
            self.either_count += 1
            _remember(self.either, row)

    def decide(self, wanted: DateOrder | None) -> tuple[DateOrder | None, str]:
        """The column's order and the sentence that says why; None where no date needs one.

        Raises FileRefused when the column allows both orders or needs both, unless `wanted` says.
        """
        if wanted is not None:
            return wanted, f"Dates in {self.name} were read {wanted}, as you said."
        if self.day_first_count and self.month_first_count:
            raise self._contradictory()
        if self.day_first_count:
            return DateOrder.DAY_FIRST, self._proof(DateOrder.DAY_FIRST, self.day_first)
        if self.month_first_count:
            return DateOrder.MONTH_FIRST, self._proof(DateOrder.MONTH_FIRST, self.month_first)
        # However likely one order is in this country: a birth date is used to tell a minor's age.
        if self.either_count:
            raise self._ambiguous()
        return None, f"Dates in {self.name} can be read one way only."

    def _proof(self, order: DateOrder, rows: list[int]) -> str:
        count = self.day_first_count or self.month_first_count
        return (
            f"Dates in {self.name} were read {order}: {count} can only be that"
            f" (first in row {rows[0]}), {self.either_count} could be either."
        )

    def _contradictory(self) -> FileRefused:
        return FileRefused(
            "dates-contradict",
            f"In {self.name}, {self.day_first_count} dates can only be day-first (rows"
            f" {_listed(self.day_first)}) and {self.month_first_count} only month-first (rows"
            f" {_listed(self.month_first)}). Make them alike, or give --dates day-first or --dates"
            " month-first: then the others are reported as errors.",
        )

    def _ambiguous(self) -> FileRefused:
        return FileRefused(
            "dates-ambiguous",
            f"Every date in {self.name} can be read day-first and month-first (rows"
            f" {_listed(self.either)}). Say which with --dates day-first or --dates month-first.",
        )


def parse_date(text: str, order: DateOrder | None, today: date) -> date:
    """The birth date that `text` means. Raises CellError with what to do.

    ISO 8601 dates, three numbers, and dates with the month's name in English, German, Spanish or
    French are understood; a time of day behind the date is left out.
    """
    text = _TIME_OF_DAY.sub("", text).strip()
    parts = _numeric_parts(text)
    if parts is not None:
        found = _from_numbers(text, parts, order, today)
    elif iso := _iso_parts(text):
        found = _make(text, *iso)
    else:
        found = _from_words(text, today)
    return _plausible(text, found, today)


def _numeric_parts(text: str) -> tuple[int, int, str] | None:
    """The first two numbers and the year's digits of a date such as 3/4/1990 or 03.04.90."""
    found = _NUMERIC.fullmatch(_TIME_OF_DAY.sub("", text).strip())
    if not found or len(found[1]) > 2 or len(found[4]) not in (2, 4):
        return None
    return int(found[1]), int(found[3]), found[4]


def _iso_parts(text: str) -> tuple[int, int, int] | None:
    """Year, month and day where the year of four digits comes first."""
    if found := _COMPACT.fullmatch(text):
        return int(found[1] + found[2]), int(found[3]), int(found[4])
    found = _NUMERIC.fullmatch(text)
    if not found or len(found[1]) != 4 or len(found[4]) > 2:
        return None
    return int(found[1]), int(found[3]), int(found[4])


def _from_numbers(
    text: str, parts: tuple[int, int, str], order: DateOrder | None, today: date
) -> date:
    first, second, year = parts
    day, month = (second, first) if order is DateOrder.MONTH_FIRST else (first, second)
    if month > 12 >= day:
        raise CellError(
            "date-order",
            f"{shown(text)} has no month {month}: this column is read {order or 'day-first'}."
            " Write it as YYYY-MM-DD.",
        )
    return _make(text, _full_year(year, month, day, today), month, day)


def _from_words(text: str, today: date) -> date:
    """A date with a month's name in it: 3 March 1990, Mar 3, 1990, 3. März 1990, 3 de marzo de 90."""
    words = [word for word in _WORDS.findall(fold(text)) if word not in _FILLERS]
    numbers = [word for word in words if word.isdigit()]
    months = [_MONTHS[word] for word in words if word in _MONTHS]
    if len(words) != 3 or len(numbers) != 2 or len(months) != 1:
        raise _unreadable(text)
    # Four digits are the year wherever they stand; of two short numbers the first is the day.
    day, year = (numbers[1], numbers[0]) if len(numbers[0]) == 4 else (numbers[0], numbers[1])
    if len(day) > 2 or len(year) not in (2, 4):
        raise _unreadable(text)
    return _make(text, _full_year(year, months[0], int(day), today), months[0], int(day))


def _full_year(digits: str, month: int, day: int, today: date) -> int:
    if len(digits) == 4:
        return int(digits)
    year = today.year // 100 * 100 + int(digits)
    return year if (year, month, day) <= (today.year, today.month, today.day) else year - 100


def _make(text: str, year: int, month: int, day: int) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        raise CellError(
            "date-impossible",
            f"{shown(text)} is no day in the calendar. Write it as YYYY-MM-DD, or empty the cell.",
        )


def _unreadable(text: str) -> CellError:
    if _DAY_COUNT.fullmatch(text):
        return CellError(
            "date-day-count",
            f"{shown(text)} is a spreadsheet's count of days. Format the column as a date"
            " (YYYY-MM-DD) and export again.",
        )
    if _WITHOUT_YEAR.fullmatch(text):
        return CellError(
            "date-without-year",
            f"{shown(text)} has no year. Write it as YYYY-MM-DD, or move it to the notes.",
        )
    return CellError("date-unreadable", f"{shown(text)} is no date. Write it as YYYY-MM-DD.")


def _plausible(text: str, found: date, today: date) -> date:
    if found > today:
        raise CellError(
            "date-in-future", f"{shown(text)} lies after today. Correct it, or empty the cell."
        )
    if found.year < today.year - OLDEST_YEARS:
        raise CellError(
            "date-too-old",
            f"{shown(text)} is more than {OLDEST_YEARS} years ago. Correct it, or empty the cell if"
            " it is not known.",
        )
    return found


def _remember(rows: list[int], row: int) -> None:
    if len(rows) < _SHOWN_ROWS:
        rows.append(row)


def _listed(rows: list[int]) -> str:
    more = ", …" if len(rows) == _SHOWN_ROWS else ""
    return ", ".join(str(row) for row in rows) + more
