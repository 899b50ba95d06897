"""The forecast's spread: its formulas against published tables, and eight in ten against drawn demand."""

import random
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from math import exp, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.rules.stock_forecast import Booked, Demand, demand_within, outlook
from services.rules.stock_spread import (
    BELIEF,
    T90,
    Habits,
    Kept,
    eight_in_ten,
    no_more_precise,
    past_of,
)

TODAY = date(2026, 5, 6)
#: Draws of a case, and three standard errors of a share of 0.8 among so many (binomial).
DRAWS = 120
ERROR = 3 * sqrt(0.8 * 0.2 / DRAWS)
#: Known to be rather too wide with one week or where uses are few and whole; but no spread is so wide
#: that it says nothing.
MOST = 0.8 + ERROR + 0.08
KNOWN_WEEKS = (1, 2, 4, 8, 12)
_NORMAL = Decimal("1.2816")

#: NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4: the 10 % and 90 % points of
#: chi-square by degrees of freedom. It is the gamma distribution of mean v and variance 2 v.
CHI_SQUARE = {
    2: ("0.211", "4.605"),
    3: ("0.584", "6.251"),
    5: ("1.610", "9.236"),
    10: ("4.865", "15.987"),
    20: ("12.443", "28.412"),
    50: ("37.689", "63.167"),
    100: ("82.358", "118.498"),
}


@pytest.mark.parametrize("degrees", CHI_SQUARE)
def test_the_points_are_those_of_the_published_table(degrees):
    low, high = eight_in_ten(Decimal(degrees), Decimal(2 * degrees), score=_NORMAL, one=Decimal(0))
    for found, table in zip((low, high), CHI_SQUARE[degrees], strict=True):
        # The cube is an approximation: off by a hundredth at most, where the tail is long.
        assert abs(found - Decimal(table)) <= max(Decimal(table) / 100, Decimal("0.015"))


def test_the_scores_fall_to_that_of_the_normal():
    # NIST/SEMATECH e-Handbook, table 1.3.6.7.2: 1.533 with 4 degrees, 1.372 with 10, 1.282 in the end.
    assert (T90[4], T90[10]) == (Decimal("1.533"), Decimal("1.372"))
    assert list(T90) == list(range(BELIEF, BELIEF + 12))
    assert sorted(T90.values(), reverse=True) == list(T90.values())
    assert min(T90.values()) > _NORMAL


amounts = st.integers(0, 400).map(lambda n: Decimal(n) / 4)


@given(amounts, amounts, st.sampled_from(sorted(T90.values())), amounts)
def test_low_is_never_below_nothing_nor_above_high(mean, variance, score, one):
    low, high = eight_in_ten(mean, variance, score=score, one=one)
    assert 0 <= low <= high


def test_two_weeks_differ_by_their_sample_variance():
    # 30 and 50: half of the square of 20, which four weeks of chance alone are set against.
    weeks = [[Decimal(30)] + [Decimal(0)] * 6, [Decimal(50)] + [Decimal(0)] * 6]
    squares = Decimal(30 + 50)
    past = past_of(weeks, squares)
    by_chance = (squares + Decimal("0.5")) / 2
    assert past.variance == (BELIEF * by_chance + 200) / (BELIEF + 1)
    assert past.one == 1
    assert past.shares == (1, 0, 0, 0, 0, 0, 0)


def test_no_more_digits_are_said_than_are_known():
    said = no_more_precise(Decimal("1234.56"), Decimal("1500.5"), Decimal("1789.01"))
    assert said == (1230, 1500, 1790)
    assert no_more_precise(Decimal("0.31"), Decimal("1.04"), Decimal("2.75")) == (
        Decimal("0.3"),
        Decimal("1.0"),
        Decimal("2.8"),
    )


def test_who_was_called_off_before_the_morning_is_not_counted_on_it():
    habits = Habits(
        [
            Kept(ahead=10, off=None, lines=6),
            Kept(ahead=10, off=5, lines=3),
            Kept(ahead=10, off=0, lines=1),
            Kept(ahead=0, off=None, lines=2),
        ]
    )
    # Eight were done, six of them were booked the day before.
    assert habits.known_share(0) == Decimal(6) / 8
    assert habits.known_share(10) == 0
    # Three days before, three were called off already; six days before, they still stood.
    assert habits.on_morning(3) == (7, 6)
    assert habits.on_morning(6) == (10, 6)
    assert habits.kept_share(11) == 1


# --- demand of known laws ---------------------------------------------------------------------------

#: One day's single uses.
Day = list[int]


def poisson(dice: random.Random, mean: float) -> int:
    """Counts of Poisson's law by products of uniforms (Knuth, The Art of Computer Programming 2, 3.4.1)."""
    many, left = 0, exp(-mean)
    product = dice.random()
    while product > left:
        many, product = many + 1, product * dice.random()
    return many


def _uses(dice: random.Random, mean: float) -> Day:
    return [dice.randint(2, 8) for _ in range(poisson(dice, mean))]


def even(dice: random.Random, week: int, day: int) -> Day:
    return _uses(dice, 6)


def busy_weekends(dice: random.Random, week: int, day: int) -> Day:
    return _uses(dice, (0, 2, 3, 4, 8, 14, 11)[day])


def growing(dice: random.Random, week: int, day: int) -> Day:
    """By 2 % a week."""
    return _uses(dice, 6 * 1.02**week)


def rare(dice: random.Random, week: int, day: int) -> Day:
    """One piece, about once a week."""
    return [1] * poisson(dice, 1 / 7)


def a_closed_week(dice: random.Random, week: int, day: int) -> Day:
    """The second to last of the known weeks; the only known one is never closed."""
    return [] if week == -2 else _uses(dice, 6)


def unlike_weeks(dice: random.Random, week: int, day: int) -> Day:
    """Weeks that differ by a fifth beyond chance, each by its own."""
    return _uses(dice, 6 * max(random.Random(f"{week} {dice.seed_of}").gauss(1, 0.2), 0))


class Dice(random.Random):
    """Dice that know what they were seeded with."""

    def __init__(self, seed: str) -> None:
        super().__init__(seed)
        self.seed_of = seed


LAWS: dict[str, Callable[[Dice, int, int], Day]] = {
    law.__name__: law for law in (even, busy_weekends, growing, rare, a_closed_week, unlike_weeks)
}


def drawn(law: str, known: int, draws: int) -> Iterator[tuple[Demand, list[Decimal]]]:
    """Each time what is known of so many weeks, and what the days from today on really take."""
    for draw in range(draws):
        dice = Dice(f"{law} {known} {draw}")
        used, squares = {}, {}
        for back in range(known, 0, -1):
            for i in range(7):
                one = LAWS[law](dice, -back, i)
                day = TODAY + timedelta(days=i - 7 * back)
                used[day], squares[day] = Decimal(sum(one)), Decimal(sum(x * x for x in one))
        coming = [Decimal(sum(LAWS[law](dice, n // 7, n % 7))) for n in range(60)]
        since = TODAY - timedelta(days=7 * known)
        yield Demand(used=used, squares=squares, since=since), coming


def share_within(law: str, known: int, draws: int = DRAWS) -> float:
    """How often the coming week was between low and high."""
    hits = 0
    for demand, coming in drawn(law, known, draws):
        said = demand_within(demand, TODAY, 7)
        assert said.high is not None
        hits += said.low <= sum(coming[:7]) <= said.high
    return hits / draws


def share_of_run_outs(law: str, known: int, draws: int = DRAWS) -> float:
    """How often an item that lasts about two weeks ran out between early and late."""
    hits = 0
    stock = {"rare": Decimal(2)}.get(law, Decimal(400))
    for demand, coming in drawn(law, known, draws):
        left, ended = stock, date.max
        for n, takes in enumerate(coming):
            left -= takes
            if left < 0:
                ended = TODAY + timedelta(days=n)
                break
        said = outlook(demand, stock, today=TODAY, pack_size=Decimal(1), lead_days=3).runs_out
        hits += (said.early or date.max) <= ended <= (said.late or date.max)
    return hits / draws


@pytest.mark.parametrize("known", KNOWN_WEEKS)
@pytest.mark.parametrize("law", LAWS)
def test_eight_in_ten_coming_weeks_are_within(law, known):
    share = share_within(law, known)
    # From one week nobody can tell that weeks are unlike, and the answer says that it does not.
    least = 0.6 if law == "unlike_weeks" and known < 4 else 0.8 - ERROR
    assert least <= share <= (1 if law in {"rare", "a_closed_week"} else MOST)


@pytest.mark.parametrize("known", KNOWN_WEEKS)
@pytest.mark.parametrize("law", LAWS)
def test_eight_in_ten_run_outs_are_within(law, known):
    least = 0.6 if law == "unlike_weeks" and known < 4 else 0.8 - ERROR
    assert least <= share_of_run_outs(law, known)


# --- a house that is booked -------------------------------------------------------------------------


def booked_house(known: int, draw: int, *, walk_ins: float, off: float) -> tuple[Demand, Decimal]:
    """Visits as they are booked, called off and done around TODAY, and what the coming week really takes.

    Eight a day are asked for; `walk_ins` of them on the day itself, the others one to twenty days
    ahead. `off` of these are called off, at any time until their own day.
    """
    dice = Dice(f"house {known} {draw} {walk_ins}")
    used: dict[date, Decimal] = {}
    squares: dict[date, Decimal] = {}
    needed: dict[date, Decimal] = {}
    needed_squares: dict[date, Decimal] = {}
    habits, week = [], Decimal(0)
    for n in range(-7 * known, 7):
        day = TODAY + timedelta(days=n)
        for _ in range(poisson(dice, 8)):
            ahead = 0 if dice.random() < walk_ins else dice.randint(1, 20)
            gone = dice.randint(0, ahead) if ahead and dice.random() < off else None
            takes = Decimal(dice.randint(2, 8))
            if n < 0:
                habits.append(Kept(ahead=ahead, off=gone, lines=1))
                if gone is None:
                    used[day] = used.get(day, Decimal(0)) + takes
                    squares[day] = squares.get(day, Decimal(0)) + takes**2
                continue
            week += takes if gone is None else 0
            # On this morning it stands in the book: booked before today and not called off yet.
            if ahead > n and (gone is None or gone <= n):
                needed[day] = needed.get(day, Decimal(0)) + takes
                needed_squares[day] = needed_squares.get(day, Decimal(0)) + takes**2
    booked = Booked(needed=needed, squares=needed_squares, habits=Habits(habits))
    since = TODAY - timedelta(days=7 * known)
    return Demand(used=used, squares=squares, booked=booked, since=since), week


@pytest.mark.parametrize("known", [1, 4, 12])
@pytest.mark.parametrize("walk_ins", [0.0, 0.3, 1.0])
def test_eight_in_ten_weeks_of_a_booked_house_are_within(known, walk_ins):
    hits, off = 0, Decimal(0)
    for draw in range(DRAWS):
        demand, really = booked_house(known, draw, walk_ins=walk_ins, off=0.15)
        said = demand_within(demand, TODAY, 7)
        assert said.high is not None
        hits += said.low <= really <= said.high
        off += said.likely - really
    assert 0.8 - ERROR <= hits / DRAWS <= MOST
    # Neither too much nor too little on the whole: a week takes 280 less what is called off.
    assert abs(off / DRAWS) < 15


def test_the_more_is_booked_the_less_is_unknown():
    def width(walk_ins):
        found = Decimal(0)
        for draw in range(40):
            said = demand_within(booked_house(12, draw, walk_ins=walk_ins, off=0)[0], TODAY, 7)
            assert said.high is not None
            found += said.high - said.low
        return found

    assert width(0.0) < Decimal("0.8") * width(1.0)


def test_with_no_whole_week_known_nobody_knows_how_much_more():
    demand = Demand(used={}, booked=Booked(needed={TODAY: Decimal(16)}), since=None)
    said = demand_within(demand, TODAY, 7)
    assert (said.likely, said.high) == (16, None)
    assert said.low < 16
