"""One thing that was sent in as JSON, read field by field; what is wrong with it is gathered. Pure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

MOST_MILLIMETRES = Decimal(1000)

Fault = dict[str, str]


def fault(pointer: str, code: str, message: str) -> Fault:
    """One wrong place, as InvalidInput takes it."""
    return {"pointer": pointer, "code": code, "message": message}


@dataclass(slots=True)
class Part:
    """An object of the request at the JSON pointer `at`, and its faults so far.

    Values may be JSON's or, where a serializer has read them already, days and decimals. A reader
    that finds a fault gathers it and gives what an absent field would give.
    """

    raw: Mapping[str, Any]
    at: str
    faults: list[Fault] = field(default_factory=list)

    def wrong(self, name: str, code: str, message: str) -> None:
        """Gather a fault of a field, or of the whole thing where `name` is empty."""
        self.faults.append(fault(f"{self.at}/{name}" if name else self.at, code, message))

    def only(self, *names: str) -> None:
        """Gather every field that is not one of `names`: a typo must not pass as silence."""
        for name in sorted(set(map(str, self.raw)) - set(names)):
            self.wrong(name, "unknown", "is not a field of this request")

    def code(self, name: str) -> str:
        """A word of the rules, which must be there."""
        found = self._read(name, _is_code, "must be a word of these rules")
        if self.raw.get(name) is None:
            self.wrong(name, "required", "is missing")
        return found or ""

    def codes(self, name: str) -> list[str]:
        """Words of the rules, sorted, each once."""
        found = self._read(name, _are_codes, "must be a list of words of these rules")
        return sorted(set(found or ()))

    def flag(self, name: str) -> bool | None:
        """True, false, or not said."""
        found: bool | None = self._read(name, _is_flag, "must be true, false or null")
        return found

    def count(self, name: str, most: int) -> int | None:
        """A whole number from 0 to `most`."""
        found: int | None = self._read(
            name, lambda v: type(v) is int and 0 <= v <= most, f"must be a whole number to {most}"
        )
        return found

    def day(self, name: str) -> date | None:
        """A calendar day."""
        found: date | None = self.made(name, _day, "must be a day such as 2026-01-31")
        return found

    def length(self, name: str) -> str | None:
        """Millimetres as decimal text: JSON's fractions have no single text to keep."""
        message = f"must be millimetres from 0 to {MOST_MILLIMETRES}"
        found: str | None = self.made(name, _length, message)
        return found

    def part(self, name: str) -> "Part | None":
        """An object inside this one; its faults are gathered here."""
        raw = self._read(name, lambda v: isinstance(v, Mapping), "must be an object")
        return None if raw is None else Part(raw, f"{self.at}/{name}", self.faults)

    def made(self, name: str, make: Callable[[Any], Any], message: str) -> Any:
        """What `make` makes of the field; its ValueError becomes a fault."""
        value = self.raw.get(name)
        if value is None:
            return None
        try:
            return make(value)
        except (ValueError, InvalidOperation):
            self.wrong(name, "invalid", message)
            return None

    def _read(self, name: str, fits: Callable[[Any], bool], message: str) -> Any:
        value = self.raw.get(name)
        if value is None or fits(value):
            return value
        self.wrong(name, "invalid", message)
        return None


def _is_code(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 80


def _are_codes(value: object) -> bool:
    return isinstance(value, list) and len(value) <= 100 and all(map(_is_code, value))


def _is_flag(value: object) -> bool:
    return isinstance(value, bool)


def _day(value: object) -> date:
    if type(value) is date:
        return value
    # Python also reads 20260131 and 2026-W05-6; a day is written one way here.
    if not isinstance(value, str) or len(value) != 10 or value[4] != "-" or value[7] != "-":
        raise ValueError("not a day")
    return date.fromisoformat(value)


def _length(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, (str, int, float, Decimal)):
        raise ValueError("not a number")  # noqa: TRY004 - a fault of the input, not of a caller
    text = str(value)
    found = Decimal(text)
    if len(text) > 12 or not (found.is_finite() and 0 <= found <= MOST_MILLIMETRES):
        raise ValueError("not a length")
    return f"{found.normalize():f}"
