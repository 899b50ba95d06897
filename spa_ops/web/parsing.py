"""What is sent in as text, as values of its kind."""

import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

NO_OFFSET = "must be an instant with its offset, such as 2026-05-06T17:00:00Z"
#: RFC 3339, section 5.6.
_OFFSET = re.compile(r"[Tt ].*([Zz]|[+-][0-9]{2}:?[0-9]{2})$")
NO_SUCH_DAY = "names a day that the calendar does not have"
_DAY = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})([Tt ]|$)")


def is_plain(value: Any) -> bool:
    """Whether every text within is one that UTF-8 and PostgreSQL can hold."""
    if isinstance(value, str):
        return "\x00" not in value and not any("\ud800" <= c <= "\udfff" for c in value)
    if isinstance(value, dict):
        return all(is_plain(k) and is_plain(v) for k, v in value.items())
    return not isinstance(value, list) or all(is_plain(v) for v in value)


def lacks_offset(given: object) -> bool:
    """Whether this is text that could only be a time of the wall clock."""
    return isinstance(given, str) and given != "" and not _OFFSET.search(given)


def names_no_day(given: object) -> bool:
    """Whether this is written as a day or an instant, and there is no such day: 2027-02-29."""
    found = _DAY.match(given) if isinstance(given, str) else None
    if not found:
        return False
    try:
        _date(found[1])
    except ValueError:
        return True
    return False


def said_wrong(kind: str, text: str) -> str:
    """What is wrong with a query parameter that could not be parsed as its kind."""
    if kind in {"date", "datetime"} and names_no_day(text):
        return NO_SUCH_DAY
    return NO_OFFSET if kind == "datetime" else f"must be {_SUCH_AS.get(kind, f'a {kind}')}"


def _date(text: str) -> Any:
    return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone


def _instant(text: str) -> datetime:
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError("an offset is needed")
    return found.astimezone(UTC)


def _boolean(text: str) -> bool:
    if text not in {"true", "false"}:
        raise ValueError("true or false")
    return text == "true"


def _plain_text(text: str) -> str:
    if "\x00" in text or len(text) > 200:
        raise ValueError("plain text of up to 200 characters")
    return text


def _whole(text: str) -> int:
    found = int(text)
    if not -(2**31) <= found < 2**31:
        raise ValueError("too large")
    return found


_SUCH_AS = {
    "uuid": "an id such as 019df000-0000-7000-8000-000000000001",
    "date": "a day such as 2026-05-06",
    "bool": "true or false",
    "str": "plain text of up to 200 characters",
    "int": "a whole number",
}
#: Query parameters by their type word; each raises ValueError or OverflowError for what is none.
PARSERS: dict[str, Callable[[str], Any]] = {
    "uuid": UUID,
    "date": _date,
    "datetime": _instant,
    "bool": _boolean,
    "str": _plain_text,
    "int": _whole,
}
