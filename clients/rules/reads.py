"""The digest of a day's health reads, pure: one text for the same rows, whoever computes it."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from hashlib import sha256
from typing import Any

from compliance.ledger.rules.format import canonical_json
from spa_ops.kernel.clock import rfc3339

#: House policy: a day is digested so long after its end, when the last read of it has committed
#: (a web transaction ends within seconds).
SETTLED_AFTER = timedelta(hours=1)


def digest_of(rows: Iterable[Mapping[str, Any]]) -> tuple[int, str]:
    """How many rows, and the SHA-256 (FIPS 180-4) in hex over them, each as RFC 8785 text and LF.

    The rows come in the order of (read_at, id); values are ids, instants or None.
    """
    total, count = sha256(), 0
    for row in rows:
        total.update(canonical_json({name: _text(value) for name, value in row.items()}) + b"\n")
        count += 1
    return count, total.hexdigest()


def _text(value: Any) -> str | None:
    if value is None:
        return None
    return rfc3339(value) if isinstance(value, datetime) else str(value)


def is_settled(ends_at: datetime, now: datetime) -> bool:
    """Whether a day that ended at `ends_at` may be digested; from the last instant of waiting on."""
    return now >= ends_at + SETTLED_AFTER


def next_day(day: date) -> date:
    """The calendar day after."""
    return day + timedelta(days=1)
