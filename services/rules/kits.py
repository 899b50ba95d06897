"""How many kits a day needs. Pure.

Kits of one kind can stand for each other, so what counts is how many are in use at once: spans on a
line can be shared out among as many kits as the most that overlap, and never among fewer (an
interval graph needs as many colours as its largest clique has members).
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import HousePolicy


def away_minutes(policy: HousePolicy, contact_seconds: int | None) -> int:
    """How long after a turnover a kit is away: waiting, washing, contact time, rinsing, drying.

    0 where the house does not plan for it. `contact_seconds` is the label's (None: none is known);
    begun minutes count as whole ones.
    """
    own = (
        policy.kit_wait_minutes
        + policy.kit_wash_minutes
        + policy.kit_rinse_minutes
        + policy.kit_dry_minutes
    )
    return own + -(-(contact_seconds or 0) // 60) if own else 0


def most_at_once(spans: Iterable[Period]) -> int:
    """The greatest number of spans that have an instant in common."""
    return max((number for _, number in _steps(spans)), default=0)


def while_in_use(spans: Sequence[Period], kits: int) -> tuple[Period, ...]:
    """When `kits` or more of them are in use, so that no further one is left; `kits` is at least 1."""
    found: list[Period] = []
    since: datetime | None = None
    for at, number in _steps(spans):
        if since is None and number >= kits:
            since = at
        elif since is not None and number < kits:
            found.append(Period(since, at))
            since = None
    return tuple(found)


def _steps(spans: Iterable[Period]) -> list[tuple[datetime, int]]:
    """(instant, how many are in use from then on), in order of time. What ends makes room first."""
    changes: dict[datetime, int] = {}
    for span in spans:
        changes[span.start] = changes.get(span.start, 0) + 1
        changes[span.end] = changes.get(span.end, 0) - 1
    found, number = [], 0
    for at in sorted(changes):
        number += changes[at]
        found.append((at, number))
    return found
