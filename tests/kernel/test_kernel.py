"""Ids, spans, wall time and units against the outside: RFC 9562's example, zoneinfo, pint."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from itertools import product
from uuid import UUID

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spa_ops.kernel import clock, ids, intervals, units


def test_uuid7_reproduces_the_example_of_the_standard():
    # RFC 9562, appendix A.6: 22 February 2022 14:22:22.00 GMT-05:00, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F
    rand = (0xCC3 << 68 | 0x18C4DC0C0C07398F).to_bytes(10)
    assert ids.uuid7(0x017F22E279B0, rand) == UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")


def test_uuid7_has_version_and_variant_and_is_not_repeated():
    made = {ids.uuid7() for _ in range(10_000)}
    assert len(made) == 10_000
    assert {(u.version, u.variant) for u in made} == {(7, "specified in RFC 4122")}


_PINT = {
    units.VolumeUnit.MILLILITRE: "milliliter",
    units.VolumeUnit.LITRE: "liter",
    units.VolumeUnit.US_FLUID_OUNCE: "US_fluid_ounce",
    units.VolumeUnit.US_CUP: "cup",
    units.VolumeUnit.US_PINT: "US_pint",
    units.VolumeUnit.US_QUART: "quart",
    units.VolumeUnit.US_GALLON: "gallon",
    units.VolumeUnit.US_TABLESPOON: "tablespoon",
    units.VolumeUnit.US_TEASPOON: "teaspoon",
    units.VolumeUnit.IMPERIAL_FLUID_OUNCE: "imperial_fluid_ounce",
    units.VolumeUnit.IMPERIAL_PINT: "imperial_pint",
    units.VolumeUnit.IMPERIAL_QUART: "imperial_quart",
    units.VolumeUnit.IMPERIAL_GALLON: "imperial_gallon",
}


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


@pytest.mark.parametrize("unit", units.VolumeUnit)
def test_every_volume_unit_agrees_with_pint(registry, unit):
    quantity = registry.Quantity(1, _PINT[unit]).to("milliliter")
    assert float(units.to_millilitres(Decimal(1), unit)) == pytest.approx(
        quantity.magnitude, rel=1e-12
    )


@pytest.mark.parametrize(("entered", "wanted"), list(product(units.VolumeUnit, repeat=2)))
def test_every_conversion_between_two_units_agrees_with_pint(registry, entered, wanted):
    quantity = registry.Quantity(7, _PINT[entered]).to(_PINT[wanted])
    found = units.from_millilitres(units.to_millilitres(Decimal(7), entered), wanted)
    assert float(found) == pytest.approx(quantity.magnitude, rel=1e-12)


def test_an_ounce_of_the_us_is_not_an_imperial_one():
    # By both definitions, rounded: 29.5735 mL and 28.4131 mL
    ounces = (units.VolumeUnit.US_FLUID_OUNCE, units.VolumeUnit.IMPERIAL_FLUID_OUNCE)
    found = [
        units.to_millilitres(Decimal(1), ounce).quantize(Decimal("0.0001")) for ounce in ounces
    ]
    assert found == [Decimal("29.5735"), Decimal("28.4131")]


@given(st.decimals("0.001", "100000", places=3), st.sampled_from(list(units.VolumeUnit)))
def test_volumes_come_back(amount, unit):
    there = units.to_millilitres(amount, unit)
    assert abs(units.from_millilitres(there, unit) - amount) < Decimal("1e-9")


@pytest.mark.parametrize(
    ("day", "wall", "zone", "utc"),
    [
        # 02:30 does not exist in New York on 8 March 2026: answered as 03:30 EDT.
        (date(2026, 3, 8), time(2, 30), "America/New_York", "2026-03-08T07:30:00"),
        # 01:30 exists twice on 1 November 2026: the first, EDT.
        (date(2026, 11, 1), time(1, 30), "America/New_York", "2026-11-01T05:30:00"),
        # A zone with a 45-minute offset: Chatham is +13:45 in the southern summer.
        (date(2026, 1, 15), time(9, 0), "Pacific/Chatham", "2026-01-14T19:15:00"),
    ],
)
def test_wall_times_have_one_stated_answer(day, wall, zone, utc):
    assert intervals.at_local(day, wall, zone) == datetime.fromisoformat(utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 6, 1), 24)]
)
def test_a_local_day_is_as_long_as_the_clock_change_makes_it(day, hours):
    period = intervals.local_day(day, "America/New_York")
    assert period.end - period.start == timedelta(hours=hours)


instants = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))


@st.composite
def periods(draw):
    start = draw(instants)
    return intervals.Period(start, start + timedelta(minutes=draw(st.integers(1, 600))))


@given(periods(), periods())
def test_overlap_is_symmetric_and_means_a_shared_instant(a, b):
    shared = max(a.start, b.start) < min(a.end, b.end)
    assert a.overlaps(b) == b.overlaps(a) == shared


def test_periods_that_touch_do_not_overlap_and_empty_ones_do_not_exist():
    noon = datetime(2026, 5, 1, 12, tzinfo=UTC)
    hour = timedelta(hours=1)
    assert not intervals.Period(noon, noon + hour).overlaps(
        intervals.Period(noon + hour, noon + 2 * hour)
    )
    with pytest.raises(ValueError, match="length"):
        intervals.Period(noon, noon)
    with pytest.raises(ValueError, match="aware"):
        intervals.Period(datetime(2026, 5, 1), datetime(2026, 5, 2))


def test_the_clock_can_be_stopped_and_goes_on_after():
    moment = datetime(2026, 5, 1, 12, tzinfo=UTC)
    with clock.stopped_at(moment):
        assert clock.now() == moment
    assert clock.now() > moment
    assert clock.rfc3339(moment) == "2026-05-01T12:00:00.000000Z"


def test_an_instant_of_any_year_is_written_with_four_digits():
    # RFC 3339 section 5.6: date-fullyear = 4DIGIT.
    assert clock.rfc3339(datetime(906, 3, 10, tzinfo=UTC)) == "0906-03-10T00:00:00.000000Z"
