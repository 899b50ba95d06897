"""Minutes as the bits of integers: bit n is minute n after an origin. Exact, not rounded to the grid.

Parts of a visit begin and end on whole minutes, since starts are on the grid and durations are whole
minutes. So a taken span may be widened to whole minutes and a shift narrowed to them, and nothing
is lost: a part meets the one or fits into the other just as before.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import islice, product
from operator import gt
from uuid import UUID

from services.rules.availability.model import GRID_MINUTES, Busy, Taken
from spa_ops.kernel.intervals import Period

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True)
class Ruler:
    """Minutes from `origin`, which is on the grid, for `length` minutes."""

    origin: datetime
    length: int

    @cached_property
    def everything(self) -> int:
        return (1 << self.length) - 1

    @cached_property
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

    def touched(self, spans: Busy) -> int:
        """The minutes that have an instant in common with one of `spans`."""
        if isinstance(spans, Taken):
            return ahead(spans.bits, (self.origin - spans.origin) // MINUTE) & self.everything
        return self._filled(
            (max(0, (s.start - self.origin) // MINUTE),
             min(self.length, -((self.origin - s.end) // MINUTE)))
            for s in spans
        )  # fmt: skip

    def _filled(self, runs: Iterable[tuple[int, int]]) -> int:
        some = [run for run in runs if run[0] < run[1]]
        return filled([first for first, _ in some], [end for _, end in some])


def filled(firsts: Sequence[int], ends: Sequence[int], origin: int = 0) -> int:
    """The bits from each of `firsts` up to, not including, its neighbour in `ends`; no run is empty.

    All are counted from `origin`, which is not behind any of them.
    """
    begun, ended = set(firsts), set(ends)
    if len(begun) == len(firsts) and len(ended) == len(ends):
        # Where one run ends and the next begins nothing changes: most of a busy day drops out here.
        starts, stops = sorted(begun - ended), sorted(ended - begun)
        if not any(map(gt, stops, islice(starts, 1, None))):
            return _power_sum(stops, origin) - _power_sum(starts, origin)
    # Some overlap: one after the other, each from where those before it have come to.
    found, reached = 0, origin
    for first, end in sorted(zip(firsts, ends, strict=True)):
        if reached < end:
            found |= (1 << end - origin) - (1 << max(first, reached) - origin)
            reached = end
    return found


def _power_sum(bits: Sequence[int], origin: int) -> int:
    """The number with these bits, all different. A run of ones is the difference of two powers."""
    if not bits:
        return 0
    # Digits in a text, highest first: int() reads binary in linear time.
    top = bits[-1]
    digits = bytearray(b"0") * (top + 1 - origin)
    for bit in bits:
        digits[top - bit] = 49
    return int(digits, 2)


def taken_of(spans: Busy) -> Taken:
    """Spans as bits from their own first minute on."""
    if isinstance(spans, Taken):
        return spans
    if not spans:
        return Taken(origin=datetime(2000, 1, 1, tzinfo=UTC), bits=0)
    origin = min(s.start for s in spans).replace(second=0, microsecond=0)
    end = max(s.end for s in spans)
    ruler = Ruler(origin=origin, length=-((origin - end) // MINUTE))
    return Taken(origin=origin, bits=ruler.touched(spans))


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


def either(masks: Iterable[int]) -> int:
    """The union."""
    found = 0
    for mask in masks:
        found |= mask
    return found


def choices_at(slots: Sequence[Mapping[UUID, int]], bit: int) -> Iterator[tuple[UUID, ...]]:
    """Who or which could take the places at one start, nobody in two."""
    able = [[who for who, mask in slot.items() if mask & bit] for slot in slots]
    return (chosen for chosen in product(*able) if len(set(chosen)) == len(chosen))


def some_of(found: int, slots: Sequence[Mapping[UUID, int]]) -> int:
    """When all places can be taken, by somebody else each; there are at most two."""
    if len(slots) != 2:
        return found & either(slots[0].values())
    former, latter = slots
    once = twice = 0
    for mask in latter.values():
        twice |= once & mask
        once |= mask
    return found & either(
        mask & (twice | (once & ~latter.get(who, 0))) for who, mask in former.items()
    )


def also_taken(busy: Busy, spans: Sequence[Period]) -> Busy:
    """What is taken, and these spans with it."""
    if not spans:
        return busy
    one, other = taken_of(busy), taken_of(tuple(spans))
    if not one:
        return other
    origin = min(one.origin, other.origin)
    bits = [t.bits << (t.origin - origin) // MINUTE for t in (one, other)]
    return Taken(origin=origin, bits=bits[0] | bits[1])
