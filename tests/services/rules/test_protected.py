"""Minors and intimate services: the customs of trade-facts 7.27, and that nothing loosens them."""

from datetime import date

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from services.rules.protected import INTIMATE, flags_of, is_minor, years_old
from services.rules.reminders import Channel, addresses_of

AREAS = st.sampled_from(["brow", "leg", *sorted(INTIMATE)])
YEARS = st.none() | st.integers(0, 90)
BOTH = {"guardian_service": True, "intimate_service": True}


@pytest.mark.parametrize(
    ("area", "years", "consents", "here", "floor", "flags"),
    [
        # Published client policies, trade-facts 7.27: a parent's written consent under 18, ...
        ("brow", 17, {}, False, 18, {"guardian_consent_missing"}),
        ("brow", 17, BOTH, False, 18, set()),
        ("brow", 18, {}, False, 18, set()),
        # ... somebody there under 16, ...
        ("brow", 15, BOTH, False, 18, {"guardian_not_present"}),
        ("brow", 15, BOTH, True, 18, set()),
        # ... and intimate waxing from 16 or 18 on.
        ("bikini", 17, BOTH, True, 18, {"under_age_floor"}),
        ("bikini", 17, BOTH, True, 16, set()),
        ("bikini", 17, BOTH, False, 16, {"guardian_not_present"}),
        ("bikini", 15, BOTH, True, 16, {"under_age_floor"}),
        ("bikini", 18, {}, False, 18, {"intimate_consent_missing"}),
        ("bikini", None, BOTH, True, 16, {"age_unknown"}),
    ],
)
def test_the_customs_of_7_27(area, years, consents, here, floor, flags):
    found = flags_of(
        area=area, years=years, consents=consents, guardian_is_here=here, age_floor=floor
    )
    assert found == flags


@given(area=AREAS, years=YEARS, here=st.booleans(), floor=st.sampled_from([16, 18]))
def test_nothing_that_is_agreed_lowers_the_floor(area, years, here, floor):
    found = flags_of(area=area, years=years, consents=BOTH, guardian_is_here=here, age_floor=floor)
    below = area in INTIMATE and years is not None and years < floor
    assert ("under_age_floor" in found) == below


@given(born=st.dates(date(1930, 1, 1), date(2026, 1, 1)), today=st.dates(date(2026, 1, 1), date(2060, 1, 1)))  # fmt: skip
def test_years_are_counted_as_dateutil_counts_them(born, today):
    if (born.month, born.day) == (2, 29):
        # dateutil lets 29 February come on the 28th; here it is 1 March: a day later, the safe side.
        born = born.replace(month=3, day=1)
    assert years_old(born, today) == relativedelta(today, born).years
    assert is_minor(born, today) == (relativedelta(today, born).years < 18)


@given(minor=st.booleans(), known=st.booleans())
def test_a_minors_messages_go_to_the_guardian_or_nowhere(minor, known):
    guardian = {"name": "G", "phone": "+13125550199", "email": ""} if known else None
    found = addresses_of(phone="+13125550123", email="c@x.example", guardian=guardian, minor=minor)
    if minor:
        assert found[Channel.SMS] == ("+13125550199" if known else "")
        assert not found[Channel.EMAIL]
    else:
        assert found == {Channel.SMS: "+13125550123", Channel.EMAIL: "c@x.example"}
