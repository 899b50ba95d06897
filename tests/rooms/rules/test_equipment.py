"""Linen against the published pairs, and what care of equipment is due; sources beside each value."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from rooms.rules.equipment import (
    LOGGED,
    WHAT_TO_DO,
    EquipmentKind,
    Flaw,
    Logged,
    LogKind,
    box_is_full,
    care_due,
    care_from,
)
from rooms.rules.linen import HeatPair, Wash, ways_from, ways_met
from rooms.rules.temperature import TemperatureUnit

TODAY = date(2026, 5, 6)
L = LogKind
F, C = TemperatureUnit.FAHRENHEIT, TemperatureUnit.CELSIUS


def ways(jurisdiction):
    return ways_from(parameters(jurisdiction, TODAY)[ParameterName.LINEN_WASH].value)


@pytest.mark.parametrize(
    ("jurisdiction", "degrees", "unit", "minutes", "good"),
    [
        # 11.10, 16 CCR 987(b): at least 160 F (71.1 C) for at least 25 min
        ("us-ca", "160", F, 25, True),
        ("us-ca", "71.1", C, 25, True),
        ("us-ca", "159.9", F, 60, False),
        ("us-ca", "160", F, 24, False),
        # 11.11, K.A.R. 28-25-4: 140 F (60 C) for at least 15 min
        ("us-ks", "140", F, 15, True),
        ("us-ks", "60", C, 15, True),
        ("us-ks", "139", F, 15, False),
        # 11.12, UK HSE: 65 C for 10 min, or 71 C for 3 min; 149 F is 65 C
        ("gb", "65", C, 10, True),
        ("gb", "149", F, 10, True),
        ("gb", "65", C, 9, False),
        ("gb", "71", C, 3, True),
        ("gb", "70.9", C, 3, False),
        # No pair is published there: the house takes the strictest that was read.
        ("us-ny", "140", F, 15, False),
        ("us-ny", "160", F, 25, True),
    ],
)
def test_a_wash_by_heat(jurisdiction, degrees, unit, minutes, good):
    wash = Wash(degrees=Decimal(degrees), unit=unit, minutes=minutes)
    assert bool(ways_met(wash, ways(jurisdiction))) is good


@pytest.mark.parametrize(
    ("jurisdiction", "used", "good"),
    [
        # 11.14: OAC 4713-15-11, 16 TAC 117.83, Wis. Cos 4.02, Okla. 175:10-7-12, Iowa 645-22.19
        ("us-oh", {"detergent", "bleach"}, True),
        ("us-oh", {"detergent"}, False),
        ("us-tx", {"bleach", "hot_water"}, True),
        ("us-tx", {"bleach"}, False),
        ("us-wi", {"germicide"}, True),
        ("us-ok", {"hot_water", "dried_hot_to_touch"}, True),
        ("us-ok", {"hot_water"}, False),
        ("us-ia", {"dried_hot_to_touch"}, True),
        # 11.10: or a commercial process with cold chemicals
        ("us-ca", {"commercial_cold_chemical"}, True),
        ("us-ny", {"detergent", "bleach", "hot_water"}, False),
    ],
)
def test_a_wash_by_chemistry(jurisdiction, used, good):
    assert bool(ways_met(Wash(used=frozenset(used)), ways(jurisdiction))) is good


@given(st.decimals(20, 100, places=1), st.integers(1, 60), st.decimals(0, 30, places=1), st.integers(0, 30))  # fmt: skip
def test_hotter_and_longer_is_never_worse(degrees, minutes, more, longer):
    for place in ("us-ca", "us-ks", "gb", "us-ny"):
        met = ways_met(Wash(degrees=degrees, minutes=minutes), ways(place))
        hotter = Wash(degrees=degrees + more, minutes=minutes + longer)
        assert set(met) <= set(ways_met(hotter, ways(place)))


def test_a_pair_without_a_temperature_is_none():
    with pytest.raises(ValueError, match="temperature"):
        HeatPair(minutes=10)
    with pytest.raises(ValueError, match="no way"):
        ways_from([{"kind": "prayer"}])


def cares(jurisdiction, kind):
    rows = parameters(jurisdiction, TODAY)[ParameterName.EQUIPMENT_CARE].value
    return [care for care in care_from(rows) if care.kind is kind]


def days(count):
    return [TODAY - timedelta(days=back) for back in range(count, 0, -1)]


def test_a_towel_warmer_is_disinfected_and_left_open_each_open_day():
    # 11.15, Okla. 175:10-7-12: disinfected daily, emptied and left open overnight
    wanted, three = cares("us-ok", EquipmentKind.TOWEL_WARMER), days(3)
    done = [Logged(kind=kind, on=day) for day in three for kind in (L.DISINFECTED, L.LEFT_OPEN)]
    assert care_due(wanted, done, open_days=three) == ()
    (missed,) = care_due(wanted, done[:-1], open_days=three)
    assert (missed.care.event, missed.days) == (L.LEFT_OPEN, (three[-1],))
    idle = [Logged(kind=L.IDLE_DAY, on=day) for day in three]
    assert [due.care.event for due in care_due(wanted, idle, open_days=three)] == [L.LEFT_OPEN]
    assert care_due(wanted, [], open_days=[]) == ()


def test_a_foot_basin_is_logged_each_day_and_weekly():
    # 9.07, the California board's log form: after each client, end of day, weekly; idle days logged
    wanted, ten = cares("us-ca", EquipmentKind.FOOT_BASIN), days(10)
    log = [Logged(kind=L.IDLE_DAY if n % 2 else L.END_OF_DAY, on=day) for n, day in enumerate(ten)]
    (weekly,) = care_due(wanted, log, open_days=ten)
    # A new basin has a week before its first weekly cleaning is missed.
    assert (weekly.care.event, weekly.days) == (L.WEEKLY, tuple(ten[6:]))
    log.append(Logged(kind=L.WEEKLY, on=ten[4]))
    assert care_due(wanted, log, open_days=ten) == ()
    assert not any(due.care.stops_use for due in care_due(wanted, [], open_days=ten))


def test_in_maine_a_basin_without_its_log_is_out_of_service():
    # 9.06, Maine 02-041 ch. 26.280-281
    wanted = cares("us-me", EquipmentKind.FOOT_BASIN)
    assert all(due.care.stops_use for due in care_due(wanted, [], open_days=days(1)))
    assert {care.every_days for care in wanted} == {1, 14}


def test_a_full_box_is_full_until_it_is_replaced():
    log = [Logged(kind=kind, on=TODAY) for kind in (L.OPENED, L.FULL)]
    assert box_is_full(log)
    assert not box_is_full([*log, Logged(kind=L.REPLACED, on=TODAY)])
    assert not box_is_full([])


def test_every_kind_has_a_log_and_every_flaw_something_to_do():
    assert set(LOGGED) == set(EquipmentKind)
    assert set(WHAT_TO_DO) == set(Flaw)
    with pytest.raises(ValueError, match="has no"):
        care_from([{"kind": "sharps_box", "event": "washed", "every_days": 1, "citation": "x", "strength": "read"}])  # fmt: skip
