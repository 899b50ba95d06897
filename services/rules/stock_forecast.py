"""When an item runs out and what to order by when: from what is booked and from past weeks. Pure.

Known is what is booked, as far as such visits are kept; unknown is what this house books later, as past
weeks have it (an additive pick-up). The spread is a prediction interval: chance in number and size of
single uses, in how weeks differ, in who comes, and in means that are known from few weeks.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import ROUND_CEILING, Decimal
from enum import StrEnum

from services.rules.stock_spread import (
    T90,
    Habits,
    Past,
    eight_in_ten,
    no_more_precise,
    past_of,
    share_variance,
)

#: Past weeks that count, and for how long an order lasts beyond its delivery (house policy).
WEEKS = 12
COVER_DAYS = 28
#: How far ahead is looked at least.
HORIZON_DAYS = 60
#: What counts said beyond the recipe is expected again, within bounds (house policy).
LEAST_FACTOR, MOST_FACTOR = Decimal("0.5"), Decimal(2)
_ZERO, _ONE = Decimal(0), Decimal(1)


class SpreadFrom(StrEnum):
    """What a spread is known from."""

    #: No whole week is known: what is booked, as far as it is kept; nobody knows how much more.
    BOOKED = "booked"
    #: One week: the chance of its single uses. That weeks differ by more is not known yet.
    SINGLE_USES = "single_uses"
    #: Single uses, and how far past weeks were from what those before them said.
    WEEKS = "weeks"


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """What booked visits will need by local day, and the sum of the squares of what each of them needs.

    A day without squares counts as one visit. `habits`: how such visits are kept, as is known then.
    """

    needed: Mapping[date, Decimal] = field(default_factory=dict)
    squares: Mapping[date, Decimal] = field(default_factory=dict)
    habits: Habits = field(default_factory=Habits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What is known of an item's use: by local day what was used, and what booked visits will need.

    `squares`: of a day's single uses, summed; a day without is one use. `since`: from when on use was
    kept at all. `factor`: what is really used for each unit by recipe.
    """

    used: Mapping[date, Decimal]
    booked: Booked = field(default_factory=Booked)
    since: date | None
    squares: Mapping[date, Decimal] = field(default_factory=dict)
    factor: Decimal = Decimal(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A day, or None: not as far ahead as was looked; in one of ten cases it is before `early`."""

    early: date | None
    likely: date | None
    late: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """How much in a span of days; in eight of ten cases from low to high. `high` None: nobody knows."""

    low: Decimal
    likely: Decimal
    high: Decimal | None


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


def spread_from(weeks: int) -> SpreadFrom:
    """What the spread is known from with so many whole weeks known."""
    return (SpreadFrom.BOOKED, SpreadFrom.SINGLE_USES, SpreadFrom.WEEKS)[min(weeks, 2)]


def _past(demand: Demand, today: date, weeks: int) -> Past:
    days = [
        [today + timedelta(days=i - 7 * back) for i in range(7)] for back in range(weeks, 0, -1)
    ]
    squares = [
        demand.squares.get(day, demand.used.get(day, _ZERO) ** 2) for week in days for day in week
    ]
    used = [[demand.used.get(day, _ZERO) for day in week] for week in days]
    return past_of(used, sum(squares, _ZERO))


@dataclass(slots=True)
class _Sums:
    """What is summed up from today on: of booked visits, and of what is not booked yet."""

    booked: Decimal = _ZERO
    booked_chance: Decimal = _ZERO
    booked_doubt: Decimal = _ZERO
    #: Weeks' worth of use that is still to be booked.
    weeks: Decimal = _ZERO
    weeks_doubt: Decimal = _ZERO


def _ways(demand: Demand, today: date, days: int) -> Iterator[tuple[Decimal, Decimal, Decimal]]:
    """For each of `days` days from today on what goes until its end: low, likely, high."""
    known = weeks_known(demand, today)
    past = _past(demand, today, max(known, 1))
    habits, factor = demand.booked.habits, demand.factor
    sums, counts, doubt = _Sums(), [_ZERO] * 7, _ZERO
    for ahead in range(days):
        _add_booked(sums, demand.booked, today + timedelta(days=ahead), ahead)
        if known:
            share, i = past.shares[ahead % 7], ahead % 7
            told = habits.known_share(ahead)
            open_ = (1 - told) * (_left_of_today(demand, today, past) if ahead == 0 else _ONE)
            # A mean that is off is off on all days of one kind alike.
            doubt += share * (2 * counts[i] + open_) * open_
            counts[i] += open_
            sums.weeks += share * open_
            if habits.done:
                chance = share_variance(told, habits.done) / (habits.done + 1)
                sums.weeks_doubt += share * chance.sqrt()
        rest = past.mean * sums.weeks
        likely = sums.booked + rest
        variance = sums.booked_chance + sums.booked_doubt**2
        variance += past.variance * (sums.weeks + past.doubt * doubt)
        variance += (past.mean * sums.weeks_doubt) ** 2
        # Nothing was used yet: as if half of one use had been.
        supposed = likely or past.one * sums.weeks / (2 * past.weeks)
        low, high = eight_in_ten(supposed, variance, score=T90[past.degrees], one=past.one)
        yield min(low, likely) * factor, likely * factor, max(high, likely) * factor


def _add_booked(sums: _Sums, booked: Booked, day: date, ahead: int) -> None:
    needed = booked.needed.get(day, _ZERO)
    if needed <= 0:
        return
    share, many = booked.habits.kept_share(ahead), booked.habits.on_morning(ahead)[0]
    chance = share_variance(share, many)
    sums.booked += share * needed
    sums.booked_chance += chance * booked.squares.get(day, needed**2)
    sums.booked_doubt += needed * (chance / (many + 1)).sqrt()


def _left_of_today(demand: Demand, today: date, past: Past) -> Decimal:
    """How much of what a day like today takes is still to come, by what is gone of it."""
    gone, usual = demand.used.get(today, _ZERO), past.mean * past.shares[0]
    if gone <= 0:
        return _ONE
    return max(1 - gone / usual, _ZERO) if usual else _ZERO


def demand_within(demand: Demand, today: date, days: int) -> Amounts:
    """What the next `days` days take, today's rest among them. Rounded to what is known."""
    *_, last = _ways(demand, today, days)
    low, likely, high = no_more_precise(*last)
    if weeks_known(demand, today) == 0:
        return Amounts(low=low, likely=likely, high=None)
    return Amounts(low=low, likely=likely, high=high)


def outlook(
    demand: Demand, stock: Decimal, *, today: date, pack_size: Decimal, lead_days: int
) -> Outlook:
    """What becomes of `stock`. It runs out on the first day whose use it does not cover whole.

    To order by: the lead days before the early run-out, so that nine in ten cases are covered; it may
    lie in the past. As many packs as last, in nine of ten cases, COVER_DAYS beyond their delivery.
    With no whole week known all of it is from what is booked alone.
    """
    days = max(HORIZON_DAYS, lead_days + COVER_DAYS)
    ways = list(_ways(demand, today, days + COVER_DAYS))

    def end(which: int) -> int:
        # `days` stands for: not within the horizon.
        if stock < 0:
            return 0
        return next((n for n, way in enumerate(ways[:days]) if way[which] > stock), days)

    def day(ahead: int) -> date | None:
        return today + timedelta(days=ahead) if ahead < days else None

    late, likely, early = (end(which) for which in range(3))
    packs = 0
    if early < days:
        last = max(early, lead_days) + COVER_DAYS
        needed = ways[last - 1][2] - stock
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
        high = self.expected.high
        return self.expected.low <= self.actual and (high is None or self.actual <= high)


def past_weeks(
    demand: Demand, booked_then: Mapping[date, Booked], *, today: date, weeks: int
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
            booked=booked_then.get(begins, Booked()),
            since=demand.since,
            squares=demand.squares,
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
