"""Minutes that a house keeps free around each visit, for a room or a practitioner. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import HousePolicy


@dataclass(frozen=True, slots=True, kw_only=True)
class Buffer:
    """So many minutes before the first and behind the last part of a visit."""

    before: int = 0
    after: int = 0

    def around(self, parts: Sequence[Period]) -> list[Period]:
        """What is kept free around a visit's parts, which are some; nothing where no minutes are."""
        first, end = min(p.start for p in parts), max(p.end for p in parts)
        spans = [
            (first - timedelta(minutes=self.before), first),
            (end, end + timedelta(minutes=self.after)),
        ]
        return [Period(start, end) for start, end in spans if start < end]


def of_room(policy: HousePolicy, before: int | None, after: int | None) -> Buffer:
    """A room's own minutes, and the location's where it has none of its own."""
    return Buffer(
        before=policy.room_buffer_before_minutes if before is None else before,
        after=policy.room_buffer_after_minutes if after is None else after,
    )


def of_practitioner(policy: HousePolicy, before: int | None, after: int | None) -> Buffer:
    """A practitioner's own minutes, and the location's where they have none of their own."""
    return Buffer(
        before=policy.practitioner_buffer_before_minutes if before is None else before,
        after=policy.practitioner_buffer_after_minutes if after is None else after,
    )


def outside(spans: Iterable[Period], taken: Sequence[Period]) -> list[Period]:
    """What is left of `spans` outside `taken`: who helps in the same visit meanwhile is not free then."""
    found = []
    for span in spans:
        start = span.start
        for other in sorted(taken):
            if other.overlaps(Period(start, span.end)):
                if start < other.start:
                    found.append(Period(start, other.start))
                start = max(start, other.end)
            if start >= span.end:
                break
        if start < span.end:
            found.append(Period(start, span.end))
    return found
