"""Minutes as the bits of integers: bit n is minute n after an origin. Exact, not rounded to the grid.

Parts of a visit begin and end on whole minutes, since starts are on the grid and durations are whole
minutes. So a taken span may be widened to whole minutes and a shift narrowed to them, and nothing
is lost: a part meets the one or fits into the other just as before.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from services.rules.availability.model import GRID_MINUTES
from spa_ops.kernel.intervals import Period

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """Minutes from `origin`, which is on the grid, for `length` minutes."""

    origin: datetime
    length: int

    @property
    def everything(self) -> int:
        return (1 << self.length) - 1

    @property
    def grid(self) -> int:
        """Every minute at which a visit may start: a geometric series, written as one division."""
        many = -(-self.length // GRID_MINUTES)
        return ((1 << many * GRID_MINUTES) - 1) // ((1 << GRID_MINUTES) - 1)

    def first(self, at: datetime) -> int:
        """The first minute at or after `at`, not below 0."""
        return max(0, -((self.origin - at) // MINUTE))

    def last(self, at: datetime) -> int:
        """The last minute at or before `at`, not beyond the end."""
        return min(self.length, (at - self.origin) // MINUTE)

    def at(self, minute: int) -> datetime:
        return self.origin + minute * MINUTE

    def inside(self, spans: Iterable[Period]) -> int:
        """The minutes that lie wholly in the union of `spans`."""
        return self._filled((self.first(s.start), self.last(s.end)) for s in joined(spans))

    def touched(self, spans: Iterable[Period]) -> int:
        """The minutes that have an instant in common with one of `spans`."""
        return self._filled(
            (max(0, (s.start - self.origin) // MINUTE),
             min(self.length, -((self.origin - s.end) // MINUTE)))
            for s in spans
        )  # fmt: skip

    def _filled(self, runs: Iterable[tuple[int, int]]) -> int:
        # The difference of powers of two is a run of ones; setting bytes first keeps many runs cheap.
        starts, ends = bytearray(self.length // 8 + 1), bytearray(self.length // 8 + 1)
        reached = 0
        for first, end in sorted(runs):
            first = max(first, reached)
            if first < end:
                starts[first >> 3] |= 1 << (first & 7)
                ends[end >> 3] |= 1 << (end & 7)
                reached = end
        return int.from_bytes(ends, "little") - int.from_bytes(starts, "little")


def joined(spans: Iterable[Period]) -> list[Period]:
    """The union of spans, in order, those that touch made one."""
    found: list[Period] = []
    for span in sorted(spans):
        if found and span.start <= found[-1].end:
            found[-1] = Period(found[-1].start, max(found[-1].end, span.end))
        else:
            found.append(span)
    return found


def held(mask: int, minutes: int) -> int:
    """The minutes from which on `mask` is set for `minutes` minutes: doubling, a few shifts."""
    done = 1
    while done < minutes:
        step = min(done, minutes - done)
        mask &= mask >> step
        done += step
    return mask


def ahead(mask: int, minutes: int) -> int:
    """The minutes that are `minutes` before those of `mask` (after them where it is negative)."""
    return mask >> minutes if minutes >= 0 else mask << -minutes


def first_bit(mask: int) -> int | None:
    """The lowest minute of `mask`."""
    return (mask & -mask).bit_length() - 1 if mask else None
