"""Wax pots: which reading counts, what asks for a new one, and what is to be done."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID, uuid5

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.rules.equipment import Flaw, LogKind
from rooms.rules.temperature import TemperatureUnit, from_celsius, to_celsius
from rooms.rules.wax import (
    WHAT_TO_DO,
    Filling,
    NotUsable,
    Pot,
    PotEntry,
    PotInRoom,
    after,
    flaws_of,
    pot_after,
    pot_to_use,
    why_not,
)
from spa_ops.kernel.clock import local_date

SPACE = UUID("5ba00000-0000-4000-8000-000000000000")
#: Wednesday 09:00 in Chicago.
NINE = datetime(2026, 5, 6, 14, 0, tzinfo=UTC)
ZONE = "America/Chicago"
L = LogKind
#: An invented label's range: no published one exists (trade-facts 8.01).
HARD = Filling(
    id=uuid5(SPACE, "filling"), product="invented hard wax", lot="7", lowest=Decimal(55),
    highest=Decimal(60), use_by=date(2026, 5, 31),
)  # fmt: skip


def day(at):
    return local_date(at, ZONE)


def entry(kind, minutes=0, celsius=None, filling=None, at=NINE):
    at += timedelta(minutes=minutes)
    return PotEntry(
        id=uuid5(SPACE, f"{kind} {at}"), kind=kind, at=at, recorded_at=at,
        celsius=None if celsius is None else Decimal(celsius), filling=filling,
    )  # fmt: skip


def usable(entries, minutes=60, at=NINE):
    return why_not(pot_after(entries), now=at + timedelta(minutes=minutes), local_day=day)


FILLED = entry(L.FILLED, filling=HARD)


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [("54.9", NotUsable.TOO_COLD), ("55", None), ("57.5", None), ("60", None), ("60.1", NotUsable.TOO_HOT)],
)  # fmt: skip
def test_a_reading_is_held_to_the_products_own_range(celsius, expected):
    assert usable([FILLED, entry(L.MEASURED, 10, celsius)]) is expected


def test_a_pot_says_what_is_wrong_with_it_in_the_order_of_what_is_to_be_done():
    assert usable([]) is NotUsable.EMPTY
    assert usable([FILLED]) is NotUsable.NOT_MEASURED_TODAY
    good = [FILLED, entry(L.MEASURED, 10, "57")]
    assert usable(good) is None
    # The last reading decides, not the best one.
    assert usable([*good, entry(L.MEASURED, 20, "75")]) is NotUsable.TOO_HOT
    assert usable([*good, entry(L.SWITCHED_OFF, 20)]) is NotUsable.NOT_MEASURED_TODAY
    assert usable([*good, entry(L.FILLED, 20, filling=HARD)]) is NotUsable.NOT_MEASURED_TODAY
    # Okla. 175:10-7-34 (3.06): contaminated is emptied, disinfected, and filled with new wax only.
    spoilt = [*good, entry(L.CONTAMINATED, 20)]
    assert usable(spoilt) is NotUsable.CONTAMINATED
    assert usable([*spoilt, entry(L.CLEANED, 21)]) is NotUsable.CONTAMINATED
    emptied = [*spoilt, entry(L.EMPTIED, 21)]
    assert usable(emptied) is NotUsable.CONTAMINATED
    clean = [*emptied, entry(L.CLEANED, 22)]
    assert usable(clean) is NotUsable.EMPTY
    again = [*clean, entry(L.FILLED, 23, filling=HARD), entry(L.MEASURED, 24, "58")]
    assert usable(again) is None
    assert set(WHAT_TO_DO) == set(NotUsable)


def test_a_reading_is_of_its_local_day_only():
    # 23:30 in Chicago is another day in UTC already, and still today there.
    late = [FILLED, entry(L.MEASURED, 14 * 60 + 30, "57")]
    assert usable(late, 14 * 60 + 59) is None
    assert usable(late, 15 * 60) is NotUsable.NOT_MEASURED_TODAY


def test_wax_is_used_through_its_last_day():
    last = datetime(2026, 6, 1, 4, 59, tzinfo=UTC)  # 31 May, 23:59 in Chicago
    good = [FILLED, entry(L.MEASURED, at=last - timedelta(hours=1), celsius="57")]
    assert usable(good, 0, last) is None
    assert usable(good, 1, last) is NotUsable.PAST_USE_BY


def test_what_is_wrong_is_found_when_it_is_recorded():
    full = pot_after([FILLED])
    assert flaws_of(Pot(), entry(L.MEASURED, 1, "57")) == (Flaw.MEASURED_EMPTY,)
    assert flaws_of(full, entry(L.MEASURED, 1, "61")) == (Flaw.TOO_HOT,)
    assert flaws_of(full, entry(L.MEASURED, 1, "57")) == ()
    assert flaws_of(full, FILLED) == (Flaw.FILLED_ON_TOP,)
    assert flaws_of(full, entry(L.CLEANED, 1)) == (Flaw.CLEANED_FULL,)
    spoilt = after(full, entry(L.CONTAMINATED, 1))
    assert Flaw.FILLED_CONTAMINATED in flaws_of(spoilt, entry(L.FILLED, 2, filling=HARD))


_ENTRY = st.builds(
    lambda kind, minute, celsius: entry(
        kind, minute, celsius if kind is L.MEASURED else None, HARD if kind is L.FILLED else None
    ),
    st.sampled_from([L.FILLED, L.MEASURED, L.SWITCHED_OFF, L.CONTAMINATED, L.EMPTIED, L.CLEANED]),
    st.integers(0, 500),
    st.integers(20, 110).map(str),
)


@given(st.lists(_ENTRY, max_size=12, unique_by=lambda e: e.at), st.randoms())
def test_a_usable_pot_was_filled_measured_in_range_and_nothing_happened_since(entries, random):
    shuffled = list(entries)
    random.shuffle(shuffled)
    assert pot_after(shuffled) == pot_after(entries)
    now = NINE + timedelta(minutes=500)
    if why_not(pot_after(entries), now=now, local_day=day) is None:
        in_time = sorted(entries, key=lambda e: e.at)
        readings = [e for e in in_time if e.kind is L.MEASURED]
        assert HARD.lowest <= readings[-1].celsius <= HARD.highest
        since = in_time[in_time.index(readings[-1]) + 1 :]
        # Cleaning a full pot changes nothing: it has its flaw.
        assert {e.kind for e in since} <= {L.CLEANED}
        assert L.FILLED in {e.kind for e in in_time if e.at < readings[-1].at}


@given(st.decimals(-20, 150, places=2))
def test_degrees_agree_with_pint(amount):
    quantity = pint.get_application_registry().Quantity
    seen = quantity(float(amount), "degF").to("degC").magnitude
    assert float(to_celsius(amount, TemperatureUnit.FAHRENHEIT)) == pytest.approx(seen, abs=1e-9)
    back = quantity(float(amount), "degC").to("degF").magnitude
    assert float(from_celsius(amount, TemperatureUnit.FAHRENHEIT)) == pytest.approx(back, abs=1e-9)


def test_a_line_starts_from_the_chosen_pot_else_from_one_that_may_be_used():
    one, two = (PotInRoom(id=uuid5(SPACE, n), why_not=w) for n, w in (("a", NotUsable.EMPTY), ("b", None)))  # fmt: skip
    assert pot_to_use([], None) is None
    assert pot_to_use([one, two], None) == two
    assert pot_to_use([one], None) == one
    assert pot_to_use([one, two], one.id) == one
    with pytest.raises(KeyError):
        pot_to_use([two], one.id)
