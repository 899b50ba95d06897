"""How far a coming use may be from what is likely: chance in how often and how much, and few known weeks. Pure.

Use comes in single uses, so its chance is that of a compound Poisson sum, whose variance is estimated
without bias by the sum of the squares of the single uses. Weeks that differ more or less than that say
so themselves, and more of them say it better. What is booked comes or does not, as often as it did.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from functools import cached_property

_ZERO, _ONE = Decimal(0), Decimal(1)
#: A week counts so much of the one after it (house policy): a house that grows is not forecast from
#: what it was. About 3.3 weeks of growth it lags behind.
FADE = Decimal("0.7")
#: That weeks differ by chance alone is believed as much as four known weeks would show (house policy).
BELIEF = 4
#: The 90 % points of Student's t by degrees of freedom, from BELIEF on: NIST/SEMATECH e-Handbook of
#: Statistical Methods, table 1.3.6.7.2. One in ten is above, one in ten below.
_POINTS = (
    "1.533", "1.476", "1.440", "1.415", "1.397", "1.383", "1.372", "1.363", "1.356", "1.350", "1.345", "1.341",
)  # fmt: skip
T90 = {degrees: Decimal(point) for degrees, point in enumerate(_POINTS, start=BELIEF)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """So many lines of visits: booked so many days ahead, and called off so many days before (None: done).

    What was called off by not coming, or in the room, was so 0 days before.
    """

    ahead: int
    off: int | None
    lines: int


class Habits:
    """How long ahead this house is booked, and how much of what is booked is done. From past visits."""

    def __init__(self, past: Iterable[Kept] = ()) -> None:
        done: Counter[int] = Counter()
        off: Counter[tuple[int, int]] = Counter()
        for one in past:
            if one.off is None:
                done[max(one.ahead, 0)] += one.lines
            else:
                off[max(one.ahead, 0), max(one.off, 0)] += one.lines
        self._done, self._off = done, off
        self._known: dict[int, tuple[Decimal, Decimal]] = {}

    @cached_property
    def done(self) -> Decimal:
        """How many lines were done in all."""
        return Decimal(sum(self._done.values()))

    def on_morning(self, days: int) -> tuple[Decimal, Decimal]:
        """So many days before: how many were booked and not called off, and how many of them were done."""
        if days not in self._known:
            kept = sum(n for ahead, n in self._done.items() if ahead > days)
            lost = sum(n for (ahead, off), n in self._off.items() if ahead > days and off <= days)
            self._known[days] = (Decimal(kept + lost), Decimal(kept))
        return self._known[days]

    def known_share(self, days: int) -> Decimal:
        """How much of what is done on a day is booked so many days before; 0 where nothing was done yet."""
        return self.on_morning(days)[1] / self.done if self.done else _ZERO

    def kept_share(self, days: int) -> Decimal:
        """How much of what stands booked so many days before is done; all where nobody knows."""
        booked, kept = self.on_morning(days)
        return kept / booked if booked else _ONE


def share_variance(share_of: Decimal, many: Decimal) -> Decimal:
    """The variance of one yes or no, with half of one more of either (Jeffreys): few never look certain."""
    p = (share_of * many + Decimal("0.5")) / (many + 1)
    return p * (1 - p)


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What known weeks say of one to come: its mean, its variance, how sure that is, and one usual use.

    `doubt`: the variance of the mean in that of a week. `degrees`: of freedom.
    """

    weeks: int
    mean: Decimal
    variance: Decimal
    doubt: Decimal
    degrees: int
    one: Decimal
    #: How much of a week falls on each of its days.
    shares: tuple[Decimal, ...]


def past_of(weeks: Sequence[Sequence[Decimal]], squares: Decimal) -> Past:
    """Of one or more whole weeks, the oldest first; `squares`: the sum of those of their single uses.

    How weeks differ is taken from how far each was off what the weeks before it would have said, each
    brought to the scale of an exact mean: for equal weights this is their sample variance.
    """
    many = len(weeks)
    totals = [sum(week, _ZERO) for week in weeks]
    used = sum(totals, _ZERO)
    one = squares / used if used > 0 and squares > 0 else _ONE
    # Half a use more than was seen: never used in few weeks is no promise.
    by_chance = (squares + one * one / 2) / many
    off = _ZERO
    for known in range(1, many):
        weights = _weights(known)
        error = totals[known] - _mean(weights, totals[:known])
        off += error * error / (1 + _doubt(weights))
    weights = _weights(many)
    days = [max(_mean(weights, [week[i] for week in weeks]), _ZERO) for i in range(7)]
    mean = sum(days, _ZERO)
    return Past(
        weeks=many,
        mean=mean,
        variance=(BELIEF * by_chance + off) / (BELIEF + many - 1),
        doubt=_doubt(weights),
        degrees=BELIEF + many - 1,
        one=one,
        shares=tuple(day / mean if mean else _ONE / 7 for day in days),
    )


def _weights(many: int) -> list[Decimal]:
    found = [FADE**age for age in range(many - 1, -1, -1)]
    together = sum(found, _ZERO)
    return [one / together for one in found]


def _mean(weights: Sequence[Decimal], values: Sequence[Decimal]) -> Decimal:
    return sum((w * v for w, v in zip(weights, values, strict=True)), _ZERO)


def _doubt(weights: Sequence[Decimal]) -> Decimal:
    return sum((w * w for w in weights), _ZERO)


def eight_in_ten(
    mean: Decimal, variance: Decimal, *, score: Decimal, one: Decimal
) -> tuple[Decimal, Decimal]:
    """Between what an amount of that mean and variance lies in eight of ten cases; never below 0.

    The points of a gamma distribution by Wilson and Hilferty's cube (Proc. Natl. Acad. Sci. 17, 1931,
    684): its tail is that of sums of uses, and for large means it is the normal one. `score` is the
    point of the normal or, where the variance is estimated, of Student's t. Half a usual use is
    added on either side, since single uses are not divided.
    """
    if mean <= 0 or variance <= 0:
        return max(mean, _ZERO), max(mean, _ZERO)
    small = variance / (9 * mean * mean)
    step = score * small.sqrt()
    low, high = (mean * max(1 - small + side, _ZERO) ** 3 for side in (-step, step))
    return max(low - one / 2, _ZERO), high + one / 2


def no_more_precise(low: Decimal, likely: Decimal, high: Decimal) -> tuple[Decimal, ...]:
    """The three with no more digits than their spread warrants: two of its width, outwards."""
    step = Decimal(1).scaleb(max((high - low).adjusted() - 1, -3))
    rounded = (
        (low, ROUND_FLOOR),
        (likely, ROUND_HALF_EVEN),
        (high, ROUND_CEILING),
    )
    return tuple((x / step).to_integral_value(how) * step for x, how in rounded)
