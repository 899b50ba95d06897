"""Each published number once, with its source beside it; customs are marked as what they are."""

from datetime import date, timedelta
from decimal import Decimal

import pint
import pytest

from clients.rules.model import PatchTest, Strength, Verdict
from tests.clients.rules.scenarios import RULES, TODAY, reason_of, rules_in, said, screened, seen

COMMON_PRACTICE = "common practice, no source"
DAY = timedelta(days=1)

#: rule, what is said (kind, detail), method, days or date of the first day it passes, fact, source
PUBLISHED_WAITS = [
    (
        "isotretinoin_after",
        "isotretinoin",
        "soft_wax",
        date(2027, 2, 3),
        "7.02",
        "American Academy of Dermatology, FAQ",
    ),
    (
        "isotretinoin_after",
        "isotretinoin",
        "microdermabrasion",
        date(2027, 2, 3),
        "7.03",
        "isotretinoin drug monograph",
    ),
    (
        "topical_retinoid",
        "topical_retinoid",
        "soft_wax",
        date(2026, 8, 10),
        "7.06",
        "dermatologist's published advice",
    ),
    (
        "tanning",
        "tanning",
        "soft_wax",
        date(2026, 8, 5),
        "7.18",
        "Published client policies of a health system and others",
    ),
]


@pytest.mark.parametrize(("rule", "kind", "method", "passes_on", "fact", "source"), PUBLISHED_WAITS)
def test_a_published_wait_ends_on_its_day_and_not_the_day_before(
    rule, kind, method, passes_on, fact, source
):
    event = said(kind, TODAY, "face")
    waiting = screened(event, method=method, on=passes_on - DAY)
    assert waiting.verdict is Verdict.WAIT_UNTIL
    assert waiting.earliest_on == passes_on
    reason = reason_of(waiting, rule)
    assert (reason.until, Strength.PUBLISHED_AND_READ) in {
        (s.since.after(TODAY), s.strength)
        for s in reason.sources
        if s.since and (s.fact, s.ref) == (fact, source)
    }
    assert screened(event, method=method, on=passes_on).verdict is Verdict.PROCEED


def test_a_retinoid_waits_for_the_strictest_of_the_published_values():
    # 7.05, American Academy of Dermatology, 2016 release: 2 to 5 days. 7.06, dermatologist's
    # published advice: 5 to 7 days before and 2 days after.
    rule = RULES.rule("topical_retinoid")
    read = {s.fact: s for s in rule.sources if s.strength is Strength.PUBLISHED_AND_READ}
    assert (str(read["7.05"].since), str(read["7.06"].since), str(read["7.06"].ahead)) == (
        "5 days",
        "7 days",
        "2 days",
    )
    assert (str(rule.since), str(rule.ahead)) == ("7 days", "2 days")


def test_areas_that_a_retinoid_does_not_touch_need_not_wait():
    # 7.09, dermatologist's published advice.
    on_the_face = said("topical_retinoid", TODAY, "face", still=True)
    assert screened(on_the_face, area="lip").verdict is Verdict.WAIT_UNTIL
    assert screened(on_the_face, area="lower_leg").verdict is Verdict.PROCEED


@pytest.mark.parametrize(
    "code",
    [
        "contagious_condition",
        "infected_skin",
        "inflamed_skin",
        "broken_skin",
        "open_wound",
        "raised_skin",
        "swollen_skin",
    ],
)
def test_unfit_skin_is_a_hard_stop_for_its_area_that_nobody_overrides(code):
    # 7.01, 16 TAC 83.102(b) and Colorado Rule 2: in the area of the service.
    for thing in (seen(code, "lip"), said(code, TODAY, "lip", still=True)):
        stopped = screened(thing, area="face", method="facial")
        assert stopped.verdict is Verdict.DO_NOT_TREAT
        assert (stopped.earliest_on, stopped.overridable_by) == (None, frozenset())
        sources = reason_of(stopped, "unfit_skin").sources
        assert {("16 TAC 83.102(b)", "7.01"), ("Colorado Rule 2", "7.01")} <= {
            (s.ref, s.fact) for s in sources
        }
        assert screened(thing, area="lower_leg").verdict is Verdict.PROCEED


def test_nothing_is_waxed_or_abraded_during_isotretinoin_on_any_area():
    # 7.02, American Academy of Dermatology, FAQ: no hot or cold wax; 7.03, drug monograph: nor dermabrasion.
    taking = said("isotretinoin", TODAY, still=True)
    for method in ("soft_wax", "hard_wax", "microdermabrasion"):
        stopped = screened(taking, area="lower_leg", method=method)
        assert stopped.verdict is Verdict.DO_NOT_TREAT
        assert (stopped.earliest_on, stopped.overridable_by) == (None, frozenset())
    assert screened(taking, area="lower_leg", method="trimming").verdict is Verdict.PROCEED


def test_sunburn_waits_until_it_is_seen_healed():
    # 7.17, American Academy of Dermatology, 2016 release: hard stop until healed.
    burnt = said("sunburn", TODAY - 3 * DAY, "lip", still=False)
    waiting = screened(burnt)
    assert (waiting.verdict, waiting.earliest_on) == (Verdict.WAIT_UNTIL, None)
    assert reason_of(waiting, "sunburn").condition == "healed"
    assert waiting.overridable_by == frozenset()
    assert screened(burnt, met=frozenset({"sunburn"})).verdict is Verdict.PROCEED_WITH_CARE


@pytest.mark.parametrize(
    ("inches", "step", "rule"),
    [
        ("0.25", "-0.01", "hair_too_short"),
        ("0.25", "0", None),
        ("0.75", "0", None),
        ("0.75", "0.01", "hair_too_long"),
    ],
)
def test_hair_is_waxed_from_a_quarter_to_three_quarters_of_an_inch(inches, step, rule):
    # 7.28, American Academy of Dermatology, 2016 release: 1/4 to 3/4 in; the millimetres by pint.
    exact = (
        pint.UnitRegistry(non_int_type=Decimal).Quantity(Decimal(inches), "inch").to("mm").magnitude
    )
    found = screened(seen("hair_length", "lip", millimetres=exact + Decimal(step)))
    assert rules_in(found) == ({rule} if rule else set())


def test_a_patch_test_is_read_after_the_longer_of_the_published_lead_times():
    # 7.32: 24 h (published client policy), at least 48 h for new clients (UK training text).
    due = screened(patch_test=PatchTest.DUE)
    assert due.verdict is Verdict.PATCH_TEST_FIRST
    assert due.earliest_on == TODAY + 2 * DAY


def test_sun_after_the_service_keeps_the_longest_published_distance():
    # 7.33, published client policies: 12 h / 24 h / 24-48 h / 2 days.
    holiday = said("tanning", TODAY + 2 * DAY)
    assert screened(holiday).verdict is Verdict.PROCEED
    assert screened(said("tanning", TODAY + DAY)).verdict is Verdict.WAIT_UNTIL


#: rule, kind, details, method, first day that passes after an event on 3 August 2026; no source.
CUSTOMS = [
    ("light_peel", "chemical_peel", {"light"}, "soft_wax", date(2026, 8, 17)),
    ("injectable_before_waxing", "neurotoxin_injection", set(), "soft_wax", date(2026, 8, 24)),
    ("injectable_before_waxing", "dermal_filler", set(), "hard_wax", date(2026, 8, 24)),
    ("exfoliating_acid", "exfoliating_acid", set(), "soft_wax", date(2026, 8, 10)),
    ("microdermabrasion", "microdermabrasion", set(), "soft_wax", date(2026, 8, 10)),
]


@pytest.mark.parametrize(("rule", "kind", "details", "method", "passes_on"), CUSTOMS)
def test_a_custom_holds_and_is_not_passed_off_as_published(rule, kind, details, method, passes_on):
    event = said(kind, TODAY, "face", details=details)
    waiting = screened(event, method=method, on=passes_on - DAY)
    assert (waiting.verdict, waiting.earliest_on, waiting.is_firm) == (
        Verdict.WAIT_UNTIL,
        passes_on,
        True,
    )
    assert screened(event, method=method, on=passes_on).verdict is Verdict.PROCEED
    assert not RULES.rule(rule).is_published


@pytest.mark.parametrize("details", [{"medium"}, {"deep"}, set()])
def test_a_peel_of_medium_deep_or_unknown_depth_needs_a_release(details):
    # Common practice, no source (7.12: 2 years after a deep peel).
    peel = said("chemical_peel", TODAY - 300 * DAY, "face", details=details)
    assert screened(peel).verdict is Verdict.MEDICAL_RELEASE_FIRST
    released = screened(peel, met=frozenset({"deeper_peel"}))
    assert released.verdict is Verdict.PROCEED_WITH_CARE
    assert reason_of(released, "deeper_peel").met


def test_laser_resurfacing_needs_a_release():
    # Common practice, no source (7.13: 1 year).
    assert (
        screened(said("laser_resurfacing", TODAY - 300 * DAY, "face")).verdict
        is Verdict.MEDICAL_RELEASE_FIRST
    )


def test_an_active_cold_sore_stops_the_face_and_a_fever_everything():
    # Common practice, no source (7.19).
    sore = seen("cold_sore", "lip")
    assert screened(sore, area="brow").verdict is Verdict.DO_NOT_TREAT
    assert screened(sore, area="lower_leg").verdict is Verdict.PROCEED
    for kind in ("fever", "contagious_skin_infection", "contagious_eye_infection"):
        for thing in (seen(kind), said(kind, TODAY, "chest", still=True)):
            assert screened(thing, area="toes", method="trimming").verdict is Verdict.DO_NOT_TREAT


@pytest.mark.parametrize("code", ["mole", "varicose_vein"])
def test_moles_and_varicose_veins_are_worked_around(code):
    # 7.25, common practice, no source.
    assert screened(seen(code, "lower_leg"), area="leg").verdict is Verdict.PROCEED_WITH_CARE


def test_what_nobody_may_override():
    never = {
        "unfit_skin",
        "isotretinoin_in_use",
        "isotretinoin_after",
        "patch_test_positive",
        "guardian_consent_missing",
    }
    assert all(RULES.rule(rule).overridable_by == () for rule in never)


def test_every_source_says_how_well_it_is_known():
    for rule in RULES.rules:
        for source in rule.sources:
            is_custom = source.strength is Strength.COMMON_PRACTICE
            assert (source.ref == COMMON_PRACTICE) == is_custom, rule.id
            assert (source.ref == "house policy") == (source.strength is Strength.HOUSE_POLICY), (
                rule.id
            )
            assert (source.ref == "from memory") == (source.strength is Strength.FROM_MEMORY), (
                rule.id
            )


def test_every_window_has_a_source_that_gives_it():
    for rule in RULES.rules:
        for side in ("since", "ahead"):
            window = getattr(rule, side)
            given = [getattr(source, side) for source in rule.sources]
            assert window is None or window in given, (rule.id, side)
