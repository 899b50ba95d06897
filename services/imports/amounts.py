"""Prices to minor units and durations to minutes, as price lists write them."""

import re
from dataclasses import dataclass
from decimal import Decimal

from services.imports.cells import fold, shown
from services.imports.rows import CellError

#: ISO 4217 minor unit digits where they are not 2 (from memory of the standard's list).
_MINOR_DIGITS = {
    **dict.fromkeys(("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW"), 0),
    **dict.fromkeys(("PYG", "RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF"), 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
}
# Which currencies a sign may stand for; "$" is many countries' dollar or peso.
_SIGNS = {
    "$": {"USD", "CAD", "AUD", "NZD", "SGD", "HKD", "MXN", "ARS", "CLP", "COP", "BBD", "JMD"},
    "€": {"EUR"},
    "£": {"GBP"},
    "¥": {"JPY", "CNY"},
    "kr": {"SEK", "NOK", "DKK", "ISK"},
    "fr": {"CHF"},
    "zł": {"PLN"},
}
_NUMBER = r"[0-9]{1,12}(?:[.,'’ ][0-9]{1,3}){0,4}"
_PRICE = re.compile(
    rf"(?P<before>[^\d\s.,'’+\-]*)\s*(?P<number>{_NUMBER})(?:[.,](?:-{{1,2}}|–|—))?\s*"
    r"(?P<after>[^\d\s.,'’+\-]*)\.?"
)
_LARGEST_MINOR = 10_000_000_00


def minor_digits(currency: str) -> int:
    """How many digits the minor unit of an ISO 4217 currency has."""
    return _MINOR_DIGITS.get(currency, 2)


@dataclass(slots=True)
class PriceColumn:
    """Whether point or comma stands before the cents, from the prices that leave no doubt."""

    digits: int
    points: int = 0
    commas: int = 0

    def add(self, text: str) -> None:
        found = _PRICE.fullmatch(text)
        mark = _certain_mark(found["number"], self.digits) if found else ""
        self.points += mark == "."
        self.commas += mark == ","

    @property
    def mark(self) -> str:
        """The sign, point or comma, if the column uses only that one, else ''."""
        if self.points and not self.commas:
            return "."
        return "," if self.commas and not self.points else ""

    def decision(self, name: str) -> str:
        """The sentence for the report."""
        if self.points and self.commas:
            return (
                f"{name} has {self.points} prices with a point before the cents and"
                f" {self.commas} with a comma; each was read as it is written."
            )
        word = {".": "a point", ",": "a comma"}.get(self.mark)
        if word is None:
            return f"{name} has no price with cents."
        return f"{name} has {word} before the cents ({self.points or self.commas} prices)."


def parse_price(text: str, currency: str, mark: str = "") -> int:
    """The price in minor units of `currency`; `mark` is the column's sign before the cents.

    Raises CellError for another currency, more than one price, none, or doubt: 1.234 may be
    twelve hundred or a slip, unless the column tells.
    """
    found = _PRICE.fullmatch(text)
    if not found:
        raise CellError(
            "price-unreadable",
            f"{shown(text)} is not one price. Write one number, for instance 45.00.",
        )
    for sign in (found["before"], found["after"]):
        _demand_currency(text, sign, currency)
    value = Decimal(_plain(text, found["number"], minor_digits(currency), mark))
    minor = int(value.scaleb(minor_digits(currency)))
    if minor > _LARGEST_MINOR:
        raise CellError("price-too-large", f"{shown(text)} is too large for a price. Correct it.")
    return minor


def _demand_currency(text: str, sign: str, currency: str) -> None:
    sign = sign.strip()
    letters = sign.upper().removesuffix("$") if sign.upper() != "$" else ""
    meant = _SIGNS.get(sign.casefold()) or {sign.upper()}
    # "US$" and "CA$" name the country in front of the sign.
    if letters and sign.endswith("$"):
        meant = {c for c in _SIGNS["$"] if c.startswith(letters)}
    if sign and currency not in meant:
        raise CellError(
            "price-currency",
            f"{shown(text)} is not in {currency}, the location's currency. Write the price in"
            f" {currency}, as a number alone.",
        )


def _certain_mark(number: str, digits: int) -> str:
    """The sign before the cents where there is no doubt, or ''."""
    marks = [c for c in number if not c.isdigit()]
    if not marks or not digits or marks[-1] not in ".,":
        return ""
    behind = len(number) - number.rindex(marks[-1]) - 1
    if len(set(marks)) > 1 or (len(marks) == 1 and behind != 3 and behind <= digits):
        return marks[-1]
    return ""


def _plain(text: str, number: str, digits: int, column_mark: str) -> str:
    """`number` with a point before the cents and nothing between the thousands."""
    mark = _certain_mark(number, digits)
    marks = [c for c in number if not c.isdigit()]
    if not mark and len(marks) == 1 and marks[0] in ".,":
        # Three digits behind one sign: thousands, if the column writes its cents the other way.
        other = {".": ",", ",": "."}[marks[0]]
        if digits and column_mark != other:
            raise CellError(
                "price-doubtful",
                f"{shown(text)} can be read as thousands or as a price with {marks[0]!r} before the"
                " cents. Write it with two cents and nothing between the thousands: 1234.00.",
            )
    whole, cents = number.rsplit(mark, 1) if mark else (number, "")
    groups = re.split(r"[.,'’ ]", whole)
    if len(groups) > 1 and (len(groups[0]) > 3 or any(len(g) != 3 for g in groups[1:])):
        raise CellError(
            "price-unreadable",
            f"{shown(text)} is not one price. Write one number, for instance 45.00.",
        )
    if len(cents) > digits:
        raise CellError(
            "price-unreadable", f"{shown(text)} has more than {digits} digits of cents. Correct it."
        )
    return f"{''.join(groups)}.{cents or '0'}"


_HOURS = r"h|hr|hrs|hour|hours|std|stunde|stunden|hora|horas|heure|heures"
_MINUTES = r"m|min|mins|minute|minutes|minuten|minuto|minutos|['′’]"
_CLOCK = re.compile(r"([0-9]{1,2}):([0-5][0-9])(?::00)?(?:\s*(?:h|hr|hrs))?")
_HOURS_MINUTES = re.compile(
    rf"(?:(?P<hours>[0-9]{{1,4}}(?:[.,][0-9]{{1,4}})?)\s*(?:{_HOURS})\.?)?"
    rf"\s*(?:(?:and|und|y|et)\s+)?"
    rf"(?:(?P<minutes>[0-9]{{1,4}})\s*(?:{_MINUTES})?\.?)?",
    re.IGNORECASE,
)


def parse_minutes(text: str, least: int, most: int) -> int:
    """The whole minutes that `text` means: 75, 75 min, 1h 15, 1:15, 1.25 h.

    Raises CellError outside `least`..`most` (house policy bounds, to catch hours entered as
    minutes), for parts of a minute, and for a number with decimals but no unit.
    """
    minutes = _minutes(text)
    if minutes is None:
        raise CellError(
            "minutes-unreadable",
            f"{shown(text)} is no length of time. Write whole minutes, for instance 75.",
        )
    if not least <= minutes <= most:
        raise CellError(
            "minutes-range",
            f"{shown(text)} is {minutes} minutes; between {least} and {most} are expected. Write"
            " whole minutes, for instance 75.",
        )
    return minutes


def _minutes(text: str) -> int | None:
    if found := _CLOCK.fullmatch(text):
        return int(found[1]) * 60 + int(found[2])
    found = _HOURS_MINUTES.fullmatch(text)
    if not found or not (found["hours"] or found["minutes"]):
        return None
    hours = Decimal((found["hours"] or "0").replace(",", "."))
    if found["hours"] and found["minutes"] and (hours % 1 or int(found["minutes"]) > 59):
        return None
    # Parts of a minute come from decimal hours that were rounded; what was meant is not known.
    minutes = hours * 60 + int(found["minutes"] or 0)
    return None if minutes % 1 else int(minutes)


def parse_weeks(text: str, most: int) -> int:
    """A whole number of weeks between 1 and `most`: 4, 4 weeks, 4 wks."""
    found = re.fullmatch(
        r"([0-9]{1,3})( (w|wk|wks|week|weeks|wochen|semanas|semaines))?", fold(text)
    )
    if not found or not 1 <= int(found[1]) <= most:
        raise CellError(
            "weeks-unreadable",
            f"{shown(text)} is no number of weeks from 1 to {most}. Write one, for instance 4.",
        )
    return int(found[1])
