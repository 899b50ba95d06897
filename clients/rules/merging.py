"""How long a merge of two records can be undone, pure. House policy, no source."""

from datetime import datetime, timedelta

#: 30 days of 24 hours: a span of time, so that no change of clocks moves its end.
UNDO_HOURS = 30 * 24


def undone_until(merged_at: datetime) -> datetime:
    """The last instant at which it can be undone."""
    return merged_at + timedelta(hours=UNDO_HOURS)


def can_be_undone(merged_at: datetime, now: datetime) -> bool:
    """Whether it can be undone still; at the last instant it can."""
    return now <= undone_until(merged_at)
