"""The only place that reads the clock. Everything else takes `now` as an argument."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

_read: Callable[[], datetime] = lambda: datetime.now(UTC)


def now() -> datetime:
    """The present instant, aware, UTC."""
    return _read()


@contextmanager
def stopped_at(instant: datetime) -> Iterator[None]:
    """Make `now()` answer `instant` inside the block: for tests and for replaying a day."""
    global _read
    if instant.tzinfo is None:
        raise ValueError("an instant must be aware")
    before = _read
    _read = lambda: instant.astimezone(UTC)
    try:
        yield
    finally:
        _read = before


def follow_offset(path: str) -> None:
    """Run the clock ahead by the seconds that the file at `path` holds; a missing file means none.

    For a demonstration day that several processes live through together. Never in production.
    """

    def read() -> datetime:
        try:
            with open(path, encoding="ascii") as file:  # noqa: PTH123 - this module imports nothing heavy
                ahead = float(file.read() or 0)
        except FileNotFoundError:
            ahead = 0.0
        return datetime.now(UTC) + timedelta(seconds=ahead)

    global _read
    _read = read


def local_date(instant: datetime, zone: str) -> date:
    """The calendar day at a place with IANA zone `zone` at `instant`."""
    return instant.astimezone(ZoneInfo(zone)).date()


def rfc3339(instant: datetime) -> str:
    """`instant` in UTC as RFC 3339 text with six decimals and Z: one text for one instant."""
    # Not strftime: its year has no leading zeros before the year 1000.
    return instant.astimezone(UTC).isoformat(timespec="microseconds").removesuffix("+00:00") + "Z"
