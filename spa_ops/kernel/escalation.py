"""How loud something late has become: levels by its age. Pure."""

from collections.abc import Sequence
from datetime import datetime, timedelta


def level_at(due_at: datetime, after: Sequence[timedelta], now: datetime) -> int:
    """0 before `due_at`, 1 from then on, one more from each of `after` (ascending) past it."""
    if now < due_at:
        return 0
    return 1 + sum(now >= due_at + threshold for threshold in after)
