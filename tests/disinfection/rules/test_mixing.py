"""Mixing against published dilution tables (each row names its source) and against pint."""

from decimal import Decimal as D

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.rules.mixing import (
    Amounts,
    Dilution,
    Pour,
    amounts_for_finished,
    amounts_for_water,
    dilution_for_ppm,
    is_known_bleach_strength,
    judge_pour,
    parts_per_million,
    readable,
    strip_passes,
    told,
)
from spa_ops.kernel.units import MILLILITRES, from_millilitres, to_millilitres
from spa_ops.kernel.units import VolumeUnit as U


def added(amount, unit, water, water_unit):
    return Amounts(
        concentrate_ml=to_millilitres(D(amount), unit),
        water_ml=to_millilitres(D(water), water_unit),
    )


ml = lambda concentrate, water: added(concentrate, U.MILLILITRE, water, U.MILLILITRE)


@pytest.mark.parametrize(
    ("amounts", "percent", "ppm"),
    [
        # 4.01, WHO 2014, Annex G, Table G.1: both ways 500 ppm
        (ml("1", "99"), "5", "500.0"),
        (ml("2", "98"), "2.5", "500.0"),
        # 4.07, US CDC/EPA poster CS316270A: 5 tablespoons to a gallon
        (added("5", U.US_TABLESPOON, "1", U.US_GALLON), "5.25", "1006"),
        (added("5", U.US_TABLESPOON, "1", U.US_GALLON), "6", "1149"),
        (added("5", U.US_TABLESPOON, "1", U.US_GALLON), "8.25", "1580"),
        # 4.08, the same poster: 4 teaspoons to a quart
        (added("4", U.US_TEASPOON, "1", U.US_QUART), "5.25", "1071"),
        (added("4", U.US_TEASPOON, "1", U.US_QUART), "6", "1224"),
        (added("4", U.US_TEASPOON, "1", U.US_QUART), "8.25", "1684"),
        # 4.09, the same poster's third of a cup, which is not 5 tablespoons (our arithmetic)
        (
            Amounts(
                concentrate_ml=to_millilitres(D(1), U.US_CUP) / 3,
                water_ml=to_millilitres(D(1), U.US_GALLON),
            ),
            "5.25",
            "1071",
        ),
        # 4.11, WAC 296-823-14055 note: 10 mL filled up to 946 mL
        (ml("10", "936"), "5.25", "555"),
        # 4.13, Oregon licensing agency bleach page: 1 part TO 10, TO 100 parts water
        (ml("1", "10"), "5.25", "4773"),
        (ml("1", "100"), "5.25", "520"),
        # 4.14, 4.15, Haldimand-Norfolk health unit
        (ml("62", "562"), "5.25", "5216"),
        (ml("250", "2250"), "5.25", "5250"),
        (ml("20", "1000"), "5.25", "1029.4"),
        (ml("100", "5000"), "5.25", "1029.4"),
        # 4.17, BC CDC infection control (2020)
        (ml("10", "990"), "5.25", "525"),
        (ml("20", "980"), "5.25", "1050"),
        # 4.18, regional Ontario dilution sheet, which itself rounds 5.25 % to 50,000 ppm
        (ml("5", "1000"), "5.25", "261.2"),
        (ml("10", "1000"), "5.25", "519.8"),
        (ml("20", "1000"), "5.25", "1029.4"),
        # 4.19, Simcoe Muskoka health unit: 5 mL + 1 L; 1 cup + 9 cups
        (ml("5", "1000"), "5.25", "261.2"),
        (added("1", U.US_CUP, "9", U.US_CUP), "5.25", "5250"),
    ],
)
def test_strength_of_published_recipes(amounts, percent, ppm):
    found = parts_per_million(amounts, strength_percent=D(percent))
    assert found.quantize(D(ppm)) == D(ppm)


def test_a_third_of_a_cup_is_not_five_tablespoons():
    # 4.09: 78.9 mL against 73.9 mL, 6.5 % apart after dilution (arithmetic)
    cup = to_millilitres(D(1), U.US_CUP) / 3
    spoons = to_millilitres(D(5), U.US_TABLESPOON)
    assert (cup.quantize(D("0.1")), spoons.quantize(D("0.1"))) == (D("78.9"), D("73.9"))
    gallon = to_millilitres(D(1), U.US_GALLON)
    ppm = [
        parts_per_million(Amounts(concentrate_ml=c, water_ml=gallon), strength_percent=D("5.25"))
        for c in (cup, spoons)
    ]
    assert (ppm[0] / ppm[1] - 1).quantize(D("0.001")) == D("0.065")


@pytest.mark.parametrize(
    ("percent", "accepted"),
    # 4.10, US CDC bleach page: 5-9 % sodium hypochlorite, reject outside and unknown
    [("4.99", False), ("5", True), ("8.25", True), ("9", True), ("9.01", False), (None, False)],
)
def test_bleach_of_unknown_or_other_strength_is_refused(percent, accepted):
    assert is_known_bleach_strength(None if percent is None else D(percent)) is accepted


def test_two_ounces_added_to_32_ounces():
    # 4.24, pattern from memory, arithmetic ours: a check value and never a default
    label = Dilution(parts_concentrate=D(1), parts_water=D(16))
    water = to_millilitres(D(32), U.US_FLUID_OUNCE)
    amounts = amounts_for_water(label, water)
    assert from_millilitres(amounts.concentrate_ml, U.US_FLUID_OUNCE) == 2
    assert amounts.concentrate_ml.quantize(D("0.01")) == D("59.15")
    assert amounts.water_ml.quantize(D("0.01")) == D("946.35")
    assert amounts.finished_ml.quantize(D("0.1")) == D("1005.5")
    assert from_millilitres(amounts.finished_ml, U.US_FLUID_OUNCE) == 34
    assert amounts_for_water(label, D(1000)).concentrate_ml == D("62.5")
    assert amounts_for_finished(label, D(1000)).concentrate_ml.quantize(D("0.1")) == D("58.8")
    assert label.concentrate_share.quantize(D("0.0001")) == D("0.0588")


def test_two_ounces_topped_up_to_32_is_another_solution():
    # 4.25, arithmetic: 62.5 mL per litre finished, 6.25 % v/v
    label = Dilution.in_total(parts_concentrate=D(1), parts_total=D(16))
    amounts = amounts_for_finished(label, to_millilitres(D(32), U.US_FLUID_OUNCE))
    assert from_millilitres(amounts.concentrate_ml, U.US_FLUID_OUNCE) == 2
    assert amounts_for_finished(label, D(1000)).concentrate_ml == D("62.5")
    assert label.concentrate_share == D("0.0625")
    assert label != Dilution(parts_concentrate=D(1), parts_water=D(16))


@pytest.mark.parametrize(
    ("parts", "ounces", "per_litre"),
    # 4.26 (arithmetic); 1:256 is 4.27, US EPA registration letter, 16 Aug 2005: 0.5 fl oz/gal
    [
        (16, "8", "62.5"),
        (32, "4", "31.25"),
        (64, "2", "15.625"),
        (128, "1", "7.81"),
        (256, "0.5", "3.91"),
    ],
)
def test_ounces_to_a_gallon_of_water(parts, ounces, per_litre):
    label = Dilution(parts_concentrate=D(1), parts_water=D(parts))
    amounts = amounts_for_water(label, to_millilitres(D(1), U.US_GALLON))
    assert from_millilitres(amounts.concentrate_ml, U.US_FLUID_OUNCE) == D(ounces)
    assert amounts_for_water(label, D(1000)).concentrate_ml.quantize(D(per_litre)) == D(per_litre)


def test_quat_to_a_thousand_ppm():
    # 4.28: the target of OAR 817-010-0068(6) from a 10 % concentrate is 10 mL made up to a litre
    dilution = dilution_for_ppm(target_ppm=D(1000), strength_percent=D(10))
    assert amounts_for_finished(dilution, D(1000)) == ml("10", "990")


@pytest.mark.parametrize(
    ("litres", "target", "percent", "concentrate", "parts_water"),
    # 4.29, arithmetic
    [
        ("4", "1000", "5.25", "76.2", "51.5"),
        ("1", "5000", "5.25", "95.2", "9.5"),
        ("1", "5000", "8.25", "60.6", "15.5"),
    ],
)
def test_bleach_for_a_wanted_strength(litres, target, percent, concentrate, parts_water):
    dilution = dilution_for_ppm(target_ppm=D(target), strength_percent=D(percent))
    amounts = amounts_for_finished(dilution, D(litres) * 1000)
    assert amounts.concentrate_ml.quantize(D("0.1")) == D(concentrate)
    assert amounts.water_ml.quantize(D("0.1")) == D(litres) * 1000 - D(concentrate)
    assert dilution.parts_water.quantize(D("0.1")) == D(parts_water)


def test_amounts_agree_with_pint():
    ureg = pint.UnitRegistry()
    water = ureg.Quantity(3, "imperial_pint")
    expected = (water / 32).to("US_fluid_ounce").magnitude
    label = Dilution(parts_concentrate=D(1), parts_water=D(32))
    amounts = amounts_for_water(label, to_millilitres(D(3), U.IMPERIAL_PINT))
    found = from_millilitres(amounts.concentrate_ml, U.US_FLUID_OUNCE)
    assert float(found) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("concentrate", "water", "pour", "other_reading"),
    [
        ("62.5", "1000", Pour.OK, False),
        ("62.4", "1000", Pour.WEAKER, False),
        ("68.75", "1000", Pour.OK, False),  # exactly 10 % over: house policy allows it
        ("68.76", "1000", Pour.OVER, False),
        ("0", "1000", Pour.WEAKER, False),
        ("62.5", "0", Pour.OVER, False),
        ("1000", "17000", Pour.WEAKER, True),  # as if 1 added to 16 were 1 in 18: 17 of water
    ],
)
def test_a_pour_against_one_part_added_to_sixteen(concentrate, water, pour, other_reading):
    judged = judge_pour(Dilution(parts_concentrate=D(1), parts_water=D(16)), ml(concentrate, water))
    assert (judged.pour, judged.other_reading) == (pour, other_reading)
    assert judged.is_usable is (pour is Pour.OK)


def test_the_two_readings_of_one_to_ten_do_not_pass_for_each_other():
    to_ten = Dilution(parts_concentrate=D(1), parts_water=D(10))
    in_ten = Dilution.in_total(parts_concentrate=D(1), parts_total=D(10))
    weaker = judge_pour(in_ten, amounts_for_water(to_ten, D(1000)))
    over = judge_pour(to_ten, amounts_for_finished(in_ten, D(1000)))
    assert (weaker.pour, weaker.other_reading) == (Pour.WEAKER, True)
    assert (over.pour, over.other_reading) == (Pour.OVER, True)


def test_an_imperial_ounce_is_not_a_us_ounce():
    # 28.4131 mL against 29.5735 mL: 2 imperial ounces added to 32 US ounces are too little
    label = Dilution(parts_concentrate=D(1), parts_water=D(16))
    poured = added("2", U.IMPERIAL_FLUID_OUNCE, "32", U.US_FLUID_OUNCE)
    assert judge_pour(label, poured).pour is Pour.WEAKER
    poured = added("2", U.US_FLUID_OUNCE, "32", U.US_FLUID_OUNCE)
    assert judge_pour(label, poured).pour is Pour.OK


def test_water_added_later_weakens_the_bath():
    label = Dilution(parts_concentrate=D(1), parts_water=D(16))
    bath = amounts_for_water(label, D(1600))
    assert judge_pour(label, bath).is_usable
    assert judge_pour(label, bath.plus(ml("0", "10"))).pour is Pour.WEAKER


def test_ready_to_use_wants_no_water():
    label = Dilution(parts_concentrate=D(1), parts_water=D(0))
    assert judge_pour(label, ml("500", "0")).pour is Pour.OK
    assert judge_pour(label, ml("500", "1")).pour is Pour.WEAKER
    with pytest.raises(ValueError, match="ready-to-use"):
        amounts_for_water(label, D(1))


@pytest.mark.parametrize(("reading", "target", "passes"), [(400, 400, True), (399, 400, False)])
def test_a_strip_below_target_fails(reading, target, passes):
    # 1.21, Simcoe Muskoka health unit: e.g. 400 ppm quat
    assert strip_passes(reading_ppm=D(reading), target_ppm=D(target)) is passes


@pytest.mark.parametrize(
    ("concentrate", "water"),
    [("0", "16"), ("-1", "16"), ("1", "-1"), ("NaN", "1"), ("1", "Infinity")],
)
def test_impossible_ratios_are_refused(concentrate, water):
    with pytest.raises(ValueError):
        Dilution(parts_concentrate=D(concentrate), parts_water=D(water))


@pytest.mark.parametrize(("concentrate", "water"), [("-1", "1"), ("1", "-1"), ("NaN", "1")])
def test_impossible_amounts_are_refused(concentrate, water):
    with pytest.raises(ValueError):
        ml(concentrate, water)


def test_what_cannot_be_computed_is_refused():
    with pytest.raises(ValueError):
        parts_per_million(ml("0", "0"), strength_percent=D(5))
    with pytest.raises(ValueError):  # a concentrate weaker than the target
        dilution_for_ppm(target_ppm=D(60_000), strength_percent=D(5))
    with pytest.raises(ValueError):
        dilution_for_ppm(target_ppm=D(0), strength_percent=D(5))
    with pytest.raises(ValueError):
        readable(ml("1", "1"), step_ml=D(0))


parts = st.decimals("0.01", "500", places=2)
volumes = st.decimals("50", "20000", places=1)
dilutions = st.builds(Dilution, parts_concentrate=parts, parts_water=parts)


@given(dilutions, volumes)
def test_what_the_calculator_says_is_never_judged_wrong(label, volume):
    assert judge_pour(label, amounts_for_finished(label, volume)).pour is Pour.OK
    assert judge_pour(label, amounts_for_water(label, volume)).pour is Pour.OK


@given(dilutions, volumes, st.sampled_from([D(1), D("0.5"), D(5), D(25)]))
def test_rounding_to_the_jug_never_weakens(label, volume, step):
    rounded = readable(amounts_for_finished(label, volume), step_ml=step)
    assert judge_pour(label, rounded).pour is not Pour.WEAKER
    assert rounded.concentrate_ml % step == 0
    assert rounded.water_ml % step == 0


@given(dilutions, volumes, st.sampled_from(list(U)), st.integers(0, 3), st.booleans())
def test_what_is_told_is_never_judged_wrong(label, volume, unit, places, of_water):
    found = (amounts_for_water if of_water else amounts_for_finished)(label, volume)
    concentrate, water, shown = told(found, unit_ml=MILLILITRES[unit], places=places)
    read = (D(f"{concentrate:.{shown}f}"), D(f"{water:.{shown}f}"))
    poured = Amounts(
        concentrate_ml=to_millilitres(read[0], unit), water_ml=to_millilitres(read[1], unit)
    )
    assert judge_pour(label, poured).pour is Pour.OK


@given(dilutions, volumes, st.decimals("0.01", "3", places=4))
def test_the_verdict_follows_the_share_of_the_label(label, water, factor):
    right = amounts_for_water(label, water)
    judged = judge_pour(
        label, Amounts(concentrate_ml=right.concentrate_ml * factor, water_ml=water)
    )
    expected = Pour.WEAKER if factor < 1 else Pour.OVER if factor > D("1.1") else Pour.OK
    assert judged.pour is expected
    assert judged.of_label is not None
    assert abs(judged.of_label - factor) < D("1e-9")


@given(st.decimals("50", "40000", places=1), st.decimals("5", "9", places=2), volumes)
def test_a_wanted_strength_is_reached(target, percent, volume):
    amounts = amounts_for_finished(
        dilution_for_ppm(target_ppm=target, strength_percent=percent), volume
    )
    assert abs(parts_per_million(amounts, strength_percent=percent) - target) < D("1e-9")
