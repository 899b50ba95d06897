"""Where a patch test stands: to the second around the lead time and the six months, and what ends it."""

from datetime import UTC, date, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.tz import resolve_imaginary
from hypothesis import given
from hypothesis import strategies as st

from clients.rules.model import PatchTest
from clients.rules.patch_tests import (
    DEFAULT_LEAD_HOURS,
    LEAD_HOURS,
    Ending,
    MadeTest,
    Outcome,
    ProductNow,
    Reading,
    Standing,
    endings_of,
    good_until,
    of_line,
    standing_of,
)
from clients.rules.told import KeptItem, Strike

PRODUCT, OTHER = UUID(int=1), UUID(int=2)
MADE = datetime(2026, 5, 4, 20, 0, tzinfo=UTC)  # 15:00 in Chicago
ZONE = "America/Chicago"
SECOND = timedelta(seconds=1)
#: Zones with daylight saving on either side, one of 45 minutes, and none.
ZONES = st.sampled_from([ZONE, "Europe/London", "Pacific/Chatham", "Asia/Kathmandu", "UTC"])
INSTANTS = st.datetimes(datetime(2001, 1, 1), datetime(2049, 1, 1), timezones=st.just(UTC))
LEADS = st.sampled_from(LEAD_HOURS)


def product(lead=48, supplier="Invented Alba", formula="A1", product_id=PRODUCT):
    return ProductNow(id=product_id, supplier=supplier, formula_version=formula, lead_hours=lead)


def made(at=MADE, lead=48, *readings, supplier="Invented Alba", formula="A1", product_id=PRODUCT):
    return MadeTest(
        product_id=product_id, supplier=supplier, formula_version=formula, applied_at=at,
        lead_hours=lead, readings=readings,
    )  # fmt: skip


def clear(at):
    return Reading(read_at=at, outcome=Outcome.NO_REACTION)


def reaction(at):
    return Reading(read_at=at, outcome=Outcome.REACTION)


def standing(tests, now, endings=(), zone=ZONE, needed=True, of=None):
    return standing_of(of or product(), tests, endings, now=now, zone=zone, needed=needed)


@pytest.mark.parametrize(
    ("lead", "source"),
    [
        (48, "UK training text, trade-facts 7.32: at least 48 h for new clients"),
        (24, "published client policies, trade-facts 7.32: 24 h"),
    ],
)
def test_the_published_lead_times_are_those_that_a_label_may_ask_for(lead, source):
    assert lead in LEAD_HOURS, source
    assert max(LEAD_HOURS) == DEFAULT_LEAD_HOURS, "the strictest published is the default"
    first = MADE + timedelta(hours=lead)
    now = first + timedelta(days=2)
    assert standing([made(MADE, lead, clear(first - SECOND))], now, of=product(lead)).status is (
        PatchTest.DUE
    )
    assert standing([made(MADE, lead, clear(first))], now, of=product(lead)).status is (
        PatchTest.VALID
    )


@given(at=INSTANTS, lead=LEADS, seconds=st.integers(-200_000, 400_000))
def test_a_reading_counts_from_the_lead_time_on_to_the_second(at, lead, seconds):
    read_at = at + timedelta(hours=lead, seconds=seconds)
    if read_at < at:
        return
    found = standing([made(at, lead, clear(read_at))], read_at, of=product(lead), zone="UTC")
    assert (found.status is PatchTest.VALID) == (seconds >= 0)
    if seconds < 0:
        assert found.readable_at == at + timedelta(hours=lead)


@given(at=INSTANTS, zone=ZONES, seconds=st.integers(-100_000, 100_000))
def test_it_is_good_for_six_calendar_months_to_the_second_as_dateutil_counts(at, zone, seconds):
    # Common practice, no source, for the six months; dateutil for what a calendar month is.
    local = at.astimezone(ZoneInfo(zone)).replace(fold=0)
    ends = resolve_imaginary(local + relativedelta(months=6)).astimezone(UTC)
    test = made(at, 48, clear(at + timedelta(hours=48)))
    assert good_until(test, zone) == ends
    found = standing([test], ends + timedelta(seconds=seconds), zone=zone)
    assert (found.status is PatchTest.VALID) == (seconds < 0)


@given(
    lead=LEADS,
    later=LEADS,
    hours=st.integers(0, 100),
)
def test_the_stricter_of_the_label_then_and_now_holds(lead, later, hours):
    read_at = MADE + timedelta(hours=hours)
    found = standing([made(MADE, lead, clear(read_at))], read_at, of=product(later))
    assert (found.status is PatchTest.VALID) == (hours >= max(lead, later))


@given(
    hours=st.integers(0, 10_000),
    needed=st.booleans(),
    lead=st.sampled_from([24, 48, None]),
    formula=st.sampled_from(["A1", "B2"]),
    other=st.integers(0, 10_000),
)
def test_a_reaction_blocks_the_product_for_good_whatever_else_is_so(
    hours, needed, lead, formula, other
):
    # Common practice, no source: a positive result blocks that product for good.
    seen = made(MADE, 48, reaction(MADE + timedelta(hours=hours)))
    fine = made(MADE, 48, clear(MADE + timedelta(hours=other)))
    now = MADE + timedelta(hours=max(hours, other), days=3650)
    of = product(lead, formula=formula)
    assert standing([fine, seen], now, needed=needed, of=of).status is PatchTest.POSITIVE
    assert standing([seen], now, of=product(product_id=OTHER)).status is PatchTest.DUE


@pytest.mark.parametrize("changed", [{"supplier": "Invented Birch"}, {"formula": "A2"}])
def test_another_formula_or_supplier_needs_a_test_of_its_own(changed):
    now = MADE + timedelta(days=3)
    tests = [made(MADE, 48, clear(MADE + timedelta(hours=48)))]
    assert standing(tests, now).status is PatchTest.VALID
    found = standing(tests, now, of=product(**changed))
    assert found == Standing(status=PatchTest.DUE, readable_at=now + timedelta(hours=48))


def test_where_none_is_needed_or_the_label_asks_for_none_nothing_is_due():
    assert standing([], MADE, needed=False).status is PatchTest.NOT_NEEDED
    assert standing([], MADE, of=product(None)).status is PatchTest.NOT_NEEDED


@given(hours=st.integers(0, 47))
def test_what_is_waited_for_is_the_end_of_the_running_lead_time_not_a_new_one(hours):
    now = MADE + timedelta(hours=hours)
    assert standing([made()], now).readable_at == MADE + timedelta(hours=48)
    assert standing([], now).readable_at == now + timedelta(hours=48)


def test_a_line_stands_by_its_worst_product_and_waits_for_the_last():
    valid, none = Standing(status=PatchTest.VALID, good_until=MADE), Standing(status=PatchTest.NOT_NEEDED)  # fmt: skip
    early = Standing(status=PatchTest.DUE, readable_at=MADE)
    late = Standing(status=PatchTest.DUE, readable_at=MADE + SECOND)
    positive = Standing(status=PatchTest.POSITIVE)
    assert of_line([valid, early, late], needed=True) == late
    assert of_line([late, positive, valid], needed=True).status is PatchTest.POSITIVE
    assert of_line([valid, none], needed=True) == valid
    assert of_line([none], needed=True).status is PatchTest.NOT_NEEDED
    assert of_line([], needed=False).status is PatchTest.NOT_NEEDED
    # Nobody can tell what was tried.
    assert of_line([], needed=True).status is PatchTest.DUE


def told(kind, hours, details=(), on=None, struck=None):
    content = {
        "kind": kind, "areas": [], "details": list(details), "still": None,
        "earliest_on": on, "latest_on": on, "when": None,
    }  # fmt: skip
    return KeptItem(
        id=UUID(int=9), visit_id=UUID(int=8), kind="declaration", content=content,
        recorded_at=MADE + timedelta(hours=hours), recorded_by=None, struck=struck,
    )  # fmt: skip


STRUCK = Strike(id=UUID(int=7), recorded_at=MADE, recorded_by=None, reason="wrong client")
ANTIBIOTIC = ("antibiotic",)


@pytest.mark.parametrize(
    ("items", "status"),
    [
        # Common practice, no source, for each.
        ([told("medicine", 60, ANTIBIOTIC)], PatchTest.DUE),
        ([told("medicine", 60)], PatchTest.DUE),
        ([told("isotretinoin", 60)], PatchTest.DUE),
        ([told("reaction", 60)], PatchTest.DUE),
        ([told("medicine", 60, ANTIBIOTIC, on="2026-05-04")], PatchTest.DUE),
        ([told("medicine", 60, ANTIBIOTIC, on="2026-05-03")], PatchTest.VALID),
        ([told("reaction", 60, on="2026-05-03")], PatchTest.VALID),
        ([told("medicine", 60, ["blood_thinner"])], PatchTest.VALID),
        ([told("tanning", 60)], PatchTest.VALID),
        ([told("medicine", -1, ANTIBIOTIC)], PatchTest.VALID),
        ([told("reaction", -1)], PatchTest.VALID),
        ([told("medicine", -1, ANTIBIOTIC), told("medicine", 60, ANTIBIOTIC)], PatchTest.VALID),
        ([told("medicine", -1, ANTIBIOTIC), told("medicine", 60, ["hormone"])], PatchTest.DUE),
        ([told("medicine", 60, ANTIBIOTIC, struck=STRUCK)], PatchTest.VALID),
    ],
)
def test_a_reaction_or_a_new_relevant_medicine_ends_a_test(items, status):
    now = MADE + timedelta(hours=72)
    tests = [made(MADE, 48, clear(MADE + timedelta(hours=48)))]
    assert standing(tests, now, endings_of(items, ZONE)).status is status


@given(days=st.integers(-400, 400), hours=st.integers(-400, 400))
def test_only_what_was_told_after_the_test_and_may_have_been_after_it_ends_it(days, hours):
    day = date(2026, 5, 4) + timedelta(days=days)
    ending = Ending(told_at=MADE + timedelta(hours=hours), day=day)
    tests = [made(MADE, 48, clear(MADE + timedelta(hours=48)))]
    found = standing(tests, MADE + timedelta(days=60), [ending])
    assert (found.status is PatchTest.DUE) == (hours > 0 and days >= 0)
