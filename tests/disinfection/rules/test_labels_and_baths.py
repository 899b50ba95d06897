"""What labels exclude, what must never meet, containers, topping up, and when to warn."""

from datetime import timedelta
from decimal import Decimal as D
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.disinfection.rules.baths import (
    BASIS,
    UNUSABLE,
    WHAT_TO_DO,
    Before,
    Finding,
    OnSite,
    findings_on,
    is_overfilled,
    soak_too_long_at,
    warn_at,
)
from compliance.disinfection.rules.clearance import derive
from compliance.disinfection.rules.guidance import Reason
from compliance.disinfection.rules.labels import (
    Family,
    Material,
    NotFor,
    cautions_for,
    may_not_meet,
    mixing_order,
    not_for_from,
    ppm_of_label,
    strength_is_acceptable,
)
from compliance.disinfection.rules.mixing import Amounts, Dilution
from compliance.disinfection.rules.reprocessing import ImplementClass
from tests.disinfection.rules.bench import (
    BATH,
    NINE,
    PROBE,
    SCISSORS,
    TWEEZERS,
    agent,
    at,
    cleaned,
    event,
    immersed,
    read,
    track,
    way_back,
)

SIXTEEN = Dilution(parts_concentrate=D(1), parts_water=D(16))
RIGHT = Amounts(concentrate_ml=D(60), water_ml=D(960))
THERE = OnSite(data_sheet=True, labelled_bottle=True)


def findings(**changed):
    told = {
        "label": SIXTEEN, "family": Family.QUAT, "poured": RIGHT, "capacity_ml": None, "before": None,
        "on_site": THERE,
    }  # fmt: skip
    return set(findings_on(**told | changed))


def test_a_bath_by_its_label_has_no_findings():
    assert findings() == set()
    assert findings(capacity_ml=D(1020)) == set()


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"poured": Amounts(concentrate_ml=D(59), water_ml=D(960))}, {Finding.WEAKER}),
        # more than 10 % over is "mix again": house policy
        ({"poured": Amounts(concentrate_ml=D(66), water_ml=D(960))}, set()),
        ({"poured": Amounts(concentrate_ml=D("66.01"), water_ml=D(960))}, {Finding.OVER}),
        ({"capacity_ml": D("1019.99")}, {Finding.OVERFILLED}),
        # 1.15: 16 CCR 978(c), OAC 4713-15-03 (C): the maker's labelled bottle stays on site
        ({"on_site": OnSite(data_sheet=True)}, {Finding.NO_LABELLED_BOTTLE}),
        ({"on_site": OnSite(labelled_bottle=True)}, {Finding.NO_DATA_SHEET}),
    ],
)
def test_what_is_wrong_with_a_fresh_bath(changed, expected):
    assert findings(**changed) == expected


@pytest.mark.parametrize(("emptied", "washed", "labelled"), list(product([True, False], repeat=3)))
def test_a_container_that_changes_product(emptied, washed, labelled):
    done = {"emptied": emptied, "washed": washed, "labelled_anew": labelled}
    other = Before(is_same_product=False, family=Family.PHENOL, **done)
    expected = set() if emptied and washed and labelled else {Finding.NOT_CHANGED_OVER}
    assert findings(before=other) == expected
    bleach = Before(is_same_product=False, family=Family.BLEACH, **done)
    gas = set() if emptied and washed else {Finding.MUST_NOT_MEET}
    assert findings(before=bleach) == expected | gas
    assert findings(before=Before(is_same_product=True, family=Family.QUAT, **done)) == set()


def test_bleach_never_meets_acid_ammonia_or_another_disinfectant():
    # common practice, no source; the rule is in the issue's own words
    for family in set(Family) - {Family.BLEACH}:
        assert may_not_meet(Family.BLEACH, family)
        assert may_not_meet(family, Family.BLEACH)
    assert not may_not_meet(Family.BLEACH, Family.BLEACH)
    assert may_not_meet(Family.ACID, Family.PEROXIDE)
    assert not may_not_meet(Family.QUAT, Family.ALCOHOL)
    for family in (Family.ACID, Family.AMMONIA):
        assert any("bleach" in text for text in cautions_for(family))
    assert any("acid" in t and "ammonia" in t for t in cautions_for(Family.BLEACH))


def test_every_finding_says_what_to_do_and_on_what_that_rests():
    assert set(WHAT_TO_DO) == set(BASIS) == set(Finding)
    assert set(Finding) > UNUSABLE


@pytest.mark.parametrize(
    ("first", "ready", "says"),
    [
        (False, False, "Measure 2 L of water into the container, then add 1 L of concentrate."),
        (True, False, "concentrate first: pour 1 L, then add 2 L of water"),
        (False, True, "Ready to use: pour 1 L and add no water."),
    ],
)
def test_water_first_unless_the_label_says_otherwise(first, ready, says):
    assert says in mixing_order(
        concentrate="1 L", water="2 L", concentrate_first=first, ready=ready
    )


@pytest.mark.parametrize(
    ("family", "strength", "expected"),
    [
        # 4.10, US CDC bleach page: 5 to 9 %, reject outside and unknown
        (Family.BLEACH, None, False),
        (Family.BLEACH, D("4.99"), False),
        (Family.BLEACH, D(5), True),
        (Family.BLEACH, D(9), True),
        (Family.BLEACH, D("9.01"), False),
        (Family.QUAT, None, True),
        (Family.QUAT, D(10), True),
        (Family.QUAT, D(0), False),
        (Family.QUAT, D(101), False),
    ],
)
def test_strengths_that_may_be_on_file(family, strength, expected):
    assert strength_is_acceptable(family, strength) is expected


@pytest.mark.parametrize(
    ("parts_water", "strength", "stated", "expected"),
    [
        # 4.13, Oregon licensing agency bleach page: 1 part TO 10, TO 100; 5.25 %
        (10, D("5.25"), None, "4773"),
        (100, D("5.25"), None, "520"),
        # 4.28, OAR 817-010-0068 target: 10 mL of 10 % quat made up to 1,000 mL, so 1 + 99
        (99, D(10), None, "1000"),
        # 1.21, Simcoe Muskoka health unit: e.g. 400 ppm quat, as stated by the label
        (16, D(10), D(400), "400"),
        (16, None, None, None),
    ],
)
def test_what_a_strip_should_show(parts_water, strength, stated, expected):
    label = Dilution(parts_concentrate=D(1), parts_water=D(parts_water))
    found = ppm_of_label(label, strength_percent=strength, stated_ppm=stated)
    assert (found if found is None else f"{found:.0f}") == expected


# What the label is not for ---------------------------------------------------------------------


def test_a_label_that_excludes_a_material_or_class_does_not_clear_it():
    aluminium = {TWEEZERS: frozenset({Material.ALUMINIUM}), SCISSORS: frozenset({Material.PLASTIC})}
    kinds = {TWEEZERS: ImplementClass.IMMERSIBLE, SCISSORS: ImplementClass.IMMERSIBLE}
    agents = {BATH: agent(not_for_materials=frozenset({Material.ALUMINIUM}))}
    done = [*way_back(implement=TWEEZERS), *way_back(5000, implement=SCISSORS)]
    found = derive(kinds, done, agents, materials=aluminium).tracks
    assert not found[TWEEZERS].is_cleared
    assert found[SCISSORS].may_be_used
    begun = derive(kinds, [*cleaned(0), immersed(0)], agents, materials=aluminium).tracks[TWEEZERS]
    assert begun.flaw is Reason.NOT_FOR_THIS_IMPLEMENT
    by_class = {BATH: agent(not_for_classes=frozenset({ImplementClass.IMMERSIBLE}))}
    assert track([*cleaned(0), immersed(0)], agents=by_class).flaw is Reason.NOT_FOR_THIS_IMPLEMENT


def test_not_for_is_read_strictly():
    stored = {"classes": ["not_immersible"], "materials": ["aluminium", "rubber"]}
    expected = NotFor(
        classes=frozenset({ImplementClass.NOT_IMMERSIBLE}),
        materials=frozenset({Material.ALUMINIUM, Material.RUBBER}),
    )
    assert not_for_from(stored) == expected
    assert not_for_from({}) == NotFor()
    assert not NotFor().excludes(ImplementClass.IMMERSIBLE, set(Material))
    with pytest.raises(ValueError, match="mithril"):
        not_for_from({"materials": ["mithril"]})


# Overfull --------------------------------------------------------------------------------------


def test_one_too_many_stops_the_time_of_all_until_they_go_in_again():
    kinds = dict.fromkeys((TWEEZERS, SCISSORS, PROBE), ImplementClass.IMMERSIBLE)
    agents = {BATH: agent(pieces_allowed=2)}
    begun = [e for who in kinds for e in (*cleaned(0, who), immersed(1, who))]
    found = derive(kinds, begun, agents).tracks
    assert {t.flaw for t in found.values()} == {Reason.BATH_OVERFULL}
    assert not any(
        t.is_cleared for t in derive(kinds, [*begun, event("lifted", 5000)], agents).tracks.values()
    )
    again = [*begun, event("lifted", 700, PROBE), immersed(701), immersed(702, SCISSORS)]
    again += [event("lifted", 1302), event("lifted", 1302, SCISSORS)]
    assert {w: t.is_cleared for w, t in derive(kinds, again, agents).tracks.items()} == {
        TWEEZERS: True, SCISSORS: True, PROBE: False,
    }  # fmt: skip
    seen = read(begun, as_of=2, agents=agents, kinds=kinds)
    assert seen.reason is Reason.BATH_OVERFULL
    assert "Take some out" in seen.what_to_do


def test_capacity_counts_what_was_poured_and_unknown_says_nothing():
    assert not is_overfilled(RIGHT, None)
    assert not is_overfilled(RIGHT, D(1020))
    assert is_overfilled(RIGHT, D(1019))


# Warnings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "warned"), [(4199, False), (4200, True)])
def test_an_hour_beyond_its_time_a_soak_is_too_long(seconds, warned):
    # house policy: an hour after the contact time, here ten minutes
    seen = read([*cleaned(0), immersed(0)], as_of=seconds)
    assert (seen.warning is not None) is warned
    assert seen.reason is Reason.CONTACT_COMPLETE  # it stays cleared
    assert read([*cleaned(0), immersed(0), event("lifted", 4100)], as_of=9000).warning is None


def test_the_labels_longest_soak_comes_first_but_never_before_the_contact_is_complete():
    given = {"contact_from": NINE, "due_at": at(600)}
    assert soak_too_long_at(**given, label_seconds=1200) == at(1200)
    assert soak_too_long_at(**given, label_seconds=60) == at(600)
    assert soak_too_long_at(**given, label_seconds=None) == at(600 + 3600)
    agents = {BATH: agent(longest_soak_seconds=900)}
    assert read([*cleaned(0), immersed(0)], as_of=899, agents=agents).warning is None
    assert read([*cleaned(0), immersed(0)], as_of=900, agents=agents).warning is not None


@given(st.timedeltas(timedelta(seconds=1), timedelta(days=20)), st.integers(1, 240))
def test_a_warning_comes_in_the_last_quarter_of_the_window_and_no_sooner_than_the_house_says(
    window, minutes
):
    before = timedelta(minutes=minutes)
    warned = warn_at(mixed_at=NINE, discard_at=NINE + window, before=before)
    assert NINE < warned < NINE + window
    assert NINE + window - warned <= before
    assert warned - NINE >= window * 3 / 4 - timedelta(microseconds=1)
