"""Sterilisers: loads judged, spore tests due, and what a failed one takes back."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.queries.sterilising import asked
from compliance.disinfection.rules.sterilising import (
    FAULT_ADVICE,
    Cycle,
    IntegratorResult,
    LoadFacts,
    LoadFault,
    Occasion,
    SporeResult,
    SporeTest,
    SteriliserMethod,
    TemperatureUnit,
    load_faults,
    next_test_due,
    out_of_use,
    outages,
    settings_from,
    to_celsius,
)
from spa_ops.tenancy.models import Location

PLAIN = pint.UnitRegistry(non_int_type=Decimal)
DAY0 = datetime(2026, 3, 2, 9, tzinfo=UTC)
STEAM = Cycle(celsius=Decimal(121), minutes=Decimal(30))
GOOD, FAILED, PENDING = SporeResult.GOOD, SporeResult.FAILED, SporeResult.PENDING


def exactly(many):
    return lambda _: many


def day(n):
    return DAY0 + timedelta(days=n)


def asked_in(jurisdiction):
    return asked(Location(jurisdiction=jurisdiction, zone="America/Chicago"), DAY0)


def load(**over):
    plain = {
        "method": SteriliserMethod.STEAM,
        "programme": STEAM,
        "started_at": DAY0,
        "finished_at": DAY0 + timedelta(hours=1),
        "reached": STEAM,
        "integrator": IntegratorResult.PASSED,
    }
    return LoadFacts(**plain | over)


@given(st.decimals(min_value=0, max_value=500, places=2))
def test_fahrenheit_is_what_pint_says(amount):
    expected = PLAIN.Quantity(amount, PLAIN.degF).to(PLAIN.degC).magnitude
    assert abs(to_celsius(amount, TemperatureUnit.FAHRENHEIT) - expected) < Decimal("1e-9")


def test_the_rule_s_own_pairs_of_degrees():
    # 5.04, Wis. Cos 4.03: 121 C (250 F), 171 C (340 F), rounded
    for fahrenheit, celsius in ((250, 121), (340, 171)):
        assert round(to_celsius(Decimal(fahrenheit), TemperatureUnit.FAHRENHEIT)) == celsius


@pytest.mark.parametrize(
    ("over", "faults"),
    [
        ({}, []),
        ({"integrator": None}, [LoadFault.NO_INTEGRATOR]),
        ({"integrator": IntegratorResult.FAILED}, [LoadFault.INTEGRATOR_FAILED]),
        ({"finished_at": None, "reached": None}, [LoadFault.NOT_FINISHED]),
        ({"reached": None}, [LoadFault.BELOW_PROGRAMME]),
        ({"reached": Cycle(celsius=Decimal("120.99"), minutes=Decimal(30))}, [LoadFault.BELOW_PROGRAMME]),
        ({"reached": Cycle(celsius=Decimal(121), minutes=Decimal("29.99"))}, [LoadFault.BELOW_PROGRAMME]),
    ],
)  # fmt: skip
def test_a_load_clears_only_without_any_fault(over, faults):
    assert list(load_faults(load(**over), ())) == faults


def test_pressure_counts_where_the_programme_states_it():
    under = Cycle(celsius=Decimal(121), minutes=Decimal(30), kilopascals=Decimal(103))
    reached = Cycle(celsius=Decimal(121), minutes=Decimal(30), kilopascals=Decimal("102.9"))
    assert load_faults(load(programme=under, reached=reached), ()) == (LoadFault.BELOW_PROGRAMME,)
    assert load_faults(load(programme=under), ()) == (LoadFault.BELOW_PROGRAMME,)
    assert load_faults(load(programme=STEAM, reached=reached), ()) == ()


@pytest.mark.parametrize(
    ("method", "celsius", "minutes", "enough"),
    [
        # 5.04, Wis. Cos 4.03
        ("steam", "121", "30", True),
        ("steam", "121", "29", False),
        ("steam", "120", "30", False),
        ("dry_heat", "171", "60", True),
        ("dry_heat", "171", "59", False),
        ("dry_heat", "170", "60", False),
    ],
)
def test_wisconsin_s_least_cycles(method, celsius, minutes, enough):
    cycle = Cycle(celsius=Decimal(celsius), minutes=Decimal(minutes))
    facts = load(method=SteriliserMethod(method), programme=cycle, reached=cycle)
    found = load_faults(facts, asked_in("us-wi").settings)
    assert found == (() if enough else (LoadFault.BELOW_SETTING,))
    assert load_faults(facts, asked_in("us-mn").settings) == ()


def test_out_of_use_fails_whatever_it_reached():
    assert load_faults(load(), (), usable=False) == (LoadFault.STERILISER_OUT_OF_USE,)
    assert set(FAULT_ADVICE) == set(LoadFault)


def test_a_setting_that_cannot_be_read_is_refused():
    with pytest.raises(ValueError):
        settings_from([{"method": "light", "celsius": 121, "minutes": 30, "citation": "x"}])


@pytest.mark.parametrize(
    ("jurisdiction", "days", "good"),
    [
        ("us-mn", 30, 1),  # 5.01, Minn. R. 2105.0377
        ("us-ca", 30, 3),  # 5.02, Cal. H&S 119315; the count is the house's
        ("us-wi", 31, 3),  # 5.04, Wis. Cos 4.03: at least monthly
        ("ca-on", 14, 3),  # 5.05 and 5.06, Ontario health units
        ("us-tx", 14, 3),  # nothing was found: house policy
    ],
)
def test_what_jurisdictions_ask_for(jurisdiction, days, good):
    found = asked_in(jurisdiction)
    assert (found.every, found.good_needed) == (timedelta(days=days), good)


def test_a_house_may_test_more_often_and_not_less():
    place = Location(jurisdiction="us-mn", zone="America/Chicago")
    assert asked(place, DAY0, house_days=7).every == timedelta(days=7)
    assert asked(place, DAY0, house_days=90).every == timedelta(days=30)


def a_test(taken, result=GOOD, read=1, n=None):
    return SporeTest(
        id=UUID(int=n or abs(int(taken * 100)) + 1),
        taken_at=day(taken),
        result=result,
        read_at=None if result is PENDING else day(taken + read),
    )


def due(tests=(), repairs=(), occasions=(Occasion.INSTALLED, Occasion.REPAIRED), days=30):
    return next_test_due(
        installed_at=DAY0,
        repaired_at=[day(n) for n in repairs],
        tests=tests,
        every=timedelta(days=days),
        occasions=frozenset(occasions),
    )


def test_when_the_next_test_is_due():
    # 5.02, Cal. H&S 119315: after installing, after a major repair, and monthly
    assert due() == DAY0
    assert due(occasions=()) == day(30)
    assert due([a_test(0)]) == day(30)
    assert due([a_test(0), a_test(20)]) == day(50)
    assert due([a_test(0), a_test(20, PENDING)]) == day(50)
    assert due([a_test(0), a_test(20, FAILED)]) == day(30)
    assert due([a_test(0)], repairs=[10]) == day(10)
    assert due([a_test(0), a_test(11)], repairs=[10]) == day(41)
    assert due([a_test(0)], repairs=[10], occasions=()) == day(30)


def test_a_failed_test_takes_back_to_the_last_good_one():
    (found,) = outages([a_test(0), a_test(10), a_test(20, FAILED)], needed_at=exactly(1))
    assert (found.since, found.unproven_from, found.until) == (day(21), day(10), None)
    assert [found.recalls(day(n)) for n in (9, 10, 10.5, 20, 25)] == [
        False,
        False,
        True,
        True,
        True,
    ]


def test_without_a_good_test_before_all_loads_are_recalled():
    (found,) = outages([a_test(20, FAILED)], needed_at=exactly(1))
    assert found.recalls(day(-1000))


@pytest.mark.parametrize(
    ("later", "repairs", "until"),
    [
        # 5.06, Ontario: three negatives in a row
        ([a_test(22), a_test(23), a_test(24)], [], 25),
        ([a_test(22), a_test(23)], [], None),
        ([a_test(22), a_test(23, FAILED), a_test(24), a_test(25)], [], None),
        ([a_test(22), a_test(23), a_test(24)], [23.5], None),
        ([a_test(22), a_test(24), a_test(25), a_test(26)], [23], 27),
        # taken before the failed one was read: says nothing of what was done about it
        ([a_test(20.5), a_test(22), a_test(23)], [], None),
        ([a_test(22), a_test(23), a_test(24, PENDING)], [], None),
    ],
)
def test_back_in_use_after_so_many_good_ones_in_a_row(later, repairs, until):
    tests = [a_test(10), a_test(20, FAILED), *later]
    found = outages(tests, needed_at=exactly(3), repaired_at=[day(n) for n in repairs])[0]
    assert found.until == (None if until is None else day(until))
    now = day(100)
    assert (out_of_use(outages(tests, needed_at=exactly(3), repaired_at=[day(n) for n in repairs]), now) is None) == (until is not None)  # fmt: skip


def test_a_rule_that_asks_for_more_later_reopens_nothing():
    tests = [a_test(10), a_test(20, FAILED), a_test(22), a_test(40, FAILED), a_test(42)]
    first, second = outages(tests, needed_at=lambda at: 1 if at < day(30) else 3)
    assert (first.until, second.until) == (day(23), None)


days = st.integers(0, 60)
tests_ = st.lists(
    st.tuples(days, st.sampled_from(list(SporeResult)), st.integers(0, 5)), max_size=8
).map(
    lambda rows: [
        SporeTest(
            id=UUID(int=n + 1),
            taken_at=day(taken) + timedelta(minutes=n),
            result=result,
            read_at=None if result is PENDING else day(taken + read) + timedelta(minutes=n),
        )
        for n, (taken, result, read) in enumerate(rows)
    ]
)


@given(tests_, st.integers(1, 3), days, st.randoms(use_true_random=False))
def test_outages_against_a_plain_reading(tests, needed, at, shuffle):
    """Nobody's order of entry matters, and what is out of use is what a plain walk says."""
    found = outages(tests, needed_at=exactly(needed))
    mixed = list(tests)
    shuffle.shuffle(mixed)
    assert outages(mixed, needed_at=exactly(needed)) == found
    now = day(at) + timedelta(hours=12)
    lasting = [
        t for t in tests if t.result is FAILED and t.read_at <= now < _back(t, tests, needed)
    ]
    outage = out_of_use(found, now)
    assert (outage is None) == (not lasting)
    assert outage is None or outage.since == min(t.read_at for t in lasting)


def _back(failed, tests, needed):
    """Of all runs of `needed` tests that follow a failed one and each other, all good: the first's end."""
    later = [t for t in sorted(tests, key=lambda t: t.taken_at) if t.taken_at > failed.read_at]
    told = [t for t in later if t.result is not PENDING]
    for n in range(len(told) - needed + 1):
        run = told[n : n + needed]
        if all(t.result is GOOD for t in run):
            return max(t.read_at for t in run)
    return day(10_000)


@given(tests_, st.integers(1, 3), days)
def test_a_load_between_two_good_tests_around_no_failure_is_never_recalled(tests, needed, started):
    at = day(started) + timedelta(hours=1)
    failures = [t for t in tests if t.result is FAILED]
    for outage in outages(tests, needed_at=exactly(needed)):
        if outage.recalls(at):
            failed = next(t for t in failures if t.id == outage.test_id)
            between = [t for t in tests if t.result is GOOD and at <= t.taken_at < failed.taken_at]
            assert not between
