"""When an item runs out and what to order by when: from what is booked and from past weeks. Pure.

Every past week is one way that a coming week may go, whole, so that busy days stay together. What is
booked is the least that a day takes. The spread is that of those ways: nothing is assumed about it.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_CEILING, Decimal
from itertools import accumulate

#: Past weeks that count, and for how long an order lasts beyond its delivery (house policy).
WEEKS = 12
COVER_DAYS = 28
#: How far ahead is looked at least.
HORIZON_DAYS = 60
#: One in ten goes faster, one in ten slower.
EARLY, LIKELY, LATE = Decimal("0.1"), Decimal("0.5"), Decimal("0.9")
#: What counts said beyond the recipe is expected again, within bounds (house policy).
LEAST_FACTOR, MOST_FACTOR = Decimal("0.5"), Decimal(2)
_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What is known of an item's use: by local day what was used, and what booked visits will need.

    `since`: from when on use was kept at all. `factor`: what is really used for each unit by recipe.
    """

    used: Mapping[date, Decimal]
    booked: Mapping[date, Decimal]
    since: date | None
    factor: Decimal = Decimal(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A day, or None: not as far ahead as was looked; nine in ten ways are not before `early`."""

    early: date | None
    likely: date | None
    late: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """How much in a span of days."""

    low: Decimal
    likely: Decimal
    high: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """When it runs out, by when to order how many packs so that it does not; `weeks`: from so many."""

    runs_out: Spread
    order_by: date | None
    packs: int
    weeks: int
    horizon: date


def factor_of(used: Decimal, counted_away: Decimal) -> Decimal:
    """What is really used for each unit that lines say, by what counts found missing (or over)."""
    if used <= 0:
        return Decimal(1)
    return min(max((used + counted_away) / used, LEAST_FACTOR), MOST_FACTOR)


def weeks_known(demand: Demand, today: date) -> int:
    """How many whole past weeks use was kept for, at most WEEKS."""
    if demand.since is None:
        return 0
    return max(min((today - demand.since).days // 7, WEEKS), 0)


def paths(demand: Demand, today: date, days: int) -> list[list[Decimal]]:
    """For each way that it may go, what each of `days` days from today on takes, to three decimals or more.

    The first of them is what is left of today. With no whole week known: what is booked alone.
    """
    weeks = weeks_known(demand, today)
    gone = demand.used.get(today, _ZERO)
    found = []
    for first in range(max(weeks, 1)):
        path = []
        for ahead in range(days):
            booked = demand.booked.get(today + timedelta(days=ahead), _ZERO)
            past = _ZERO
            if weeks:
                back = (first + ahead // 7) % weeks + 1
                past = demand.used.get(today + timedelta(days=ahead % 7 - 7 * back), _ZERO)
            if ahead == 0:
                past -= gone
            path.append(max(booked, past, _ZERO) * demand.factor)
        found.append(path)
    return found


def ranked(values: Sequence[Decimal], share: Decimal) -> Decimal:
    """The least value that at least `share` of all are not above (nearest rank)."""
    return sorted(values)[_rank(len(values), share)]


def _rank(many: int, share: Decimal) -> int:
    return max(int((share * many).to_integral_value(ROUND_CEILING)) - 1, 0)


def demand_within(demand: Demand, today: date, days: int) -> Amounts:
    """What the next `days` days take, today's rest among them."""
    totals = [sum(path, _ZERO) for path in paths(demand, today, days)]
    return Amounts(
        low=ranked(totals, EARLY), likely=ranked(totals, LIKELY), high=ranked(totals, LATE)
    )


def outlook(
    demand: Demand, stock: Decimal, *, today: date, pack_size: Decimal, lead_days: int
) -> Outlook:
    """What becomes of `stock`. It runs out on the first day whose use it does not cover whole.

    To order by: the lead days before the early run-out, so that nine in ten ways are covered; it may
    lie in the past. As many packs as last, in nine of ten ways, COVER_DAYS beyond their delivery.
    """
    days = max(HORIZON_DAYS, lead_days + COVER_DAYS)
    sums = [list(accumulate(path)) for path in paths(demand, today, days + COVER_DAYS)]
    # From early to late; `days` stands for: not within the horizon.
    ends = sorted(0 if stock < 0 else min(bisect_right(each, stock), days) for each in sums)
    early, likely, late = (ends[_rank(len(ends), share)] for share in (EARLY, LIKELY, LATE))

    def day(ahead: int) -> date | None:
        return today + timedelta(days=ahead) if ahead < days else None

    packs = 0
    if early < days:
        last = max(early, lead_days) + COVER_DAYS
        needed = ranked([each[last - 1] for each in sums], LATE) - stock
        packs = max(int((needed / pack_size).to_integral_value(ROUND_CEILING)), 0)
    runs_out = Spread(early=day(early), likely=day(likely), late=day(late))
    return Outlook(
        runs_out=runs_out,
        order_by=runs_out.early and runs_out.early - timedelta(days=lead_days),
        packs=packs,
        weeks=weeks_known(demand, today),
        horizon=today + timedelta(days=days - 1),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PastWeek:
    """What would have been said of a week on its first morning, and what it really took."""

    begins: date
    expected: Amounts
    actual: Decimal

    @property
    def within(self) -> bool:
        """Whether it was between low and high, as eight in ten should be."""
        return self.expected.low <= self.actual <= self.expected.high


def past_weeks(
    demand: Demand, booked_then: Mapping[date, Mapping[date, Decimal]], *, today: date, weeks: int
) -> list[PastWeek]:
    """The forecast tried on past weeks, the oldest first: each knows only what was known on its morning.

    `booked_then`: for the first day of each week what was booked by then. Weeks before which no whole
    week of use was known are left out. The factor is not applied: use by recipe is compared.
    """
    found = []
    for back in range(weeks, 0, -1):
        begins = today - timedelta(days=7 * back)
        known = Demand(
            used={day: amount for day, amount in demand.used.items() if day < begins},
            booked=booked_then.get(begins, {}),
            since=demand.since,
        )
        if weeks_known(known, begins) == 0:
            continue
        actual = sum((demand.used.get(begins + timedelta(days=i), _ZERO) for i in range(7)), _ZERO)
        found.append(
            PastWeek(begins=begins, expected=demand_within(known, begins, 7), actual=actual)
        )
    return found


def mean_error_percent(weeks: Sequence[PastWeek]) -> Decimal | None:
    """The mean absolute error of the likely amount in per cent of what was used; None: nothing was."""
    used = sum((week.actual for week in weeks), _ZERO)
    if not used:
        return None
    off = sum((abs(week.expected.likely - week.actual) for week in weeks), _ZERO)
    return (100 * off / used).quantize(Decimal("0.1"))
