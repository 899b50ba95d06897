"""Money of a visit: rounding against decimal, sums, what may go back, and numbers that look like cards."""

from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from services.rules.money import (
    NOTHING,
    Amounts,
    Basis,
    LineMoney,
    WhyNotVoidable,
    balance,
    charged,
    holds_card_number,
    left_of,
    line_money,
    luhn_is_valid,
    tax_minor,
    why_not_voidable,
)
from spa_ops.kernel.problems import InvalidInput

minor = st.integers(0, 100_000_000)
basis_points = st.integers(0, 100_000)


@st.composite
def amounts(draw):
    price = draw(minor)
    return charged(
        price_minor=price,
        discount_minor=draw(st.integers(0, price)),
        tip_minor=draw(minor),
        tax_basis_points=draw(basis_points),
    )


@given(minor, basis_points)
def test_tax_is_rounded_half_up_as_decimal_does(net, points):
    exact = Decimal(net) * Decimal(points) / Decimal(10_000)
    assert tax_minor(net, points) == int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))


@pytest.mark.parametrize(
    ("net", "points", "tax"),
    [
        # 8.25 % is the highest combined rate of Texas (6.25 % state, 2 % local; from memory).
        (4500, 825, 371),
        (100, 50, 1),  # half a cent goes up: house policy
        (99, 50, 0),
        (0, 825, 0),
        (4500, 0, 0),
    ],
)
def test_tax_of_known_amounts(net, points, tax):
    assert tax_minor(net, points) == tax


@given(amounts())
def test_a_charge_is_the_sum_of_its_parts_and_never_negative(found):
    parts = (found.price_minor, found.discount_minor, found.tax_minor, found.tip_minor)
    assert min(*parts, found.owed_minor) >= 0
    assert found.owed_minor == parts[0] - parts[1] + parts[2] + parts[3]


@given(st.lists(amounts(), max_size=8), st.lists(st.integers(-(10**8), 10**8), max_size=8))
def test_the_account_is_the_sum_over_lines_and_payments(charges, paid):
    lines = [LineMoney(basis=Basis.CHARGED, amounts=c) for c in charges]
    total = balance(lines, paid)
    by_part = {
        name: sum(getattr(c, f"{name}_minor") for c in charges)
        for name in ("price", "discount", "tax", "tip")
    }
    assert total.owed_minor == (
        by_part["price"] - by_part["discount"] + by_part["tax"] + by_part["tip"]
    )
    assert total.balance_minor + sum(paid) == total.owed_minor


@given(amounts(), basis_points)
def test_a_tip_is_not_taxed_and_a_discount_lowers_the_tax(found, points):
    without = charged(price_minor=found.price_minor, tax_basis_points=points)
    tipped = charged(
        price_minor=found.price_minor, tip_minor=found.tip_minor, tax_basis_points=points
    )
    lowered = charged(
        price_minor=found.price_minor,
        discount_minor=found.discount_minor,
        tax_basis_points=points,
    )
    assert tipped.tax_minor == without.tax_minor >= lowered.tax_minor


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"price_minor": -1}, "/price_minor"),
        ({"price_minor": 5, "discount_minor": 6}, "/discount_minor"),
        ({"price_minor": 5, "discount_minor": -1}, "/discount_minor"),
        ({"price_minor": 5, "tip_minor": -1}, "/tip_minor"),
    ],
)
def test_what_cannot_be_is_refused_by_pointer(wrong, pointer):
    with pytest.raises(InvalidInput) as refused:
        charged(**wrong, tax_basis_points=0)
    assert refused.value.fields["errors"][0]["pointer"] == pointer


def test_amounts_cannot_be_made_negative():
    for wrong in ({"tax_minor": -1}, {"tip_minor": -1}, {"price_minor": 1, "discount_minor": 2}):
        with pytest.raises(ValueError):
            Amounts(**wrong)


CHARGE = charged(price_minor=3000, discount_minor=500, tax_basis_points=0)


@pytest.mark.parametrize(
    ("case", "basis", "owed"),
    [
        ({}, Basis.PRICE, 4871),
        ({"charge": CHARGE}, Basis.CHARGED, 2500),
        ({"is_dropped": True}, Basis.NOTHING, 0),
        ({"is_dropped": True, "charge": CHARGE}, Basis.NOTHING, 0),
        ({"price_minor": None}, Basis.PRICE_NEEDED, 0),
        ({"price_minor": None, "charge": CHARGE}, Basis.CHARGED, 2500),
        ({"visit_takes_place": False}, Basis.NOTHING, 0),
        ({"visit_takes_place": False, "charge": CHARGE}, Basis.CHARGED, 2500),
    ],
)
def test_what_a_line_costs(case, basis, owed):
    usual = {"is_dropped": False, "visit_takes_place": True, "price_minor": 4500, "charge": None}
    found = line_money(**(usual | case), tax_basis_points=825)
    assert (found.basis, found.amounts.owed_minor) == (basis, owed)


@given(st.integers(1, 10**8), st.lists(st.integers(1, 10**8), max_size=6))
def test_what_is_left_of_a_payment_never_grows(payment, wanted):
    back: list[int] = []
    for amount in wanted:
        if amount <= left_of(payment, back):
            back.append(-amount)
        assert 0 <= left_of(payment, back) <= payment
    assert payment + sum(back) == left_of(payment, back)


@given(st.integers(1, 10**6), st.integers(0, 10**6), st.dates(), st.integers(0, 3))
def test_a_void_is_of_the_whole_and_on_the_day(payment, back, day, later):
    assume(back <= payment and day < date.max - timedelta(days=4))
    today = day + timedelta(days=later)
    why = why_not_voidable(
        payment_minor=payment, left_minor=payment - back, taken_on=day, today=today
    )
    assert (why is None) == (back == 0 and later == 0)
    if back:
        assert why is WhyNotVoidable.GIVEN_BACK


def check_digit_by_table(digits):
    """The Luhn formula with its doubling written out as a table: another way to the same digit."""
    doubled = (0, 2, 4, 6, 8, 1, 3, 5, 7, 9)
    total = sum(doubled[d] if i % 2 == 0 else d for i, d in enumerate(reversed(digits)))
    return -total % 10


#: A busy machine is no reason to fail.
patient = settings(deadline=None)
numbers = st.lists(st.integers(0, 9), min_size=12, max_size=18)


@given(numbers, st.integers(0, 9))
def test_one_check_digit_in_ten_is_right(digits, last):
    assert luhn_is_valid([*digits, last]) == (last == check_digit_by_table(digits))


def test_the_published_example_of_a_provider_number():
    # 45 CFR 162.406: a ten-digit number whose check digit is ISO's; with the prefix 80840 the
    # published example is 1234567893 (from memory).
    assert luhn_is_valid([int(c) for c in "808401234567893"])


@patient
@given(
    numbers,
    st.sampled_from(["", " ", "-", ".", ", ", "/"]),
    st.sampled_from(["", "paid with ", "Ref: "]),
    st.sampled_from(["", " 12/28", " exp 1228", ", thanks"]),
)
def test_a_card_number_is_found_however_it_is_written(digits, separator, before, after):
    whole = "".join(map(str, [*digits, check_digit_by_table(digits)]))
    written = separator.join(whole[i : i + 4] for i in range(0, len(whole), 4))
    assert holds_card_number(before + written + after)
    wide = written.translate({ord(str(d)): ord("０") + d for d in range(10)})
    assert holds_card_number(before + wide + after)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Invented Nora paid for her sister",
        "call +1 312 555 0123",
        "voucher 123456789012",
        "on 2026-05-06 at 12:30",
        "1234567890123",
    ],
)
def test_other_texts_and_numbers_pass(text):
    assert not holds_card_number(text)


def test_nothing_is_nothing():
    assert NOTHING.owed_minor == 0
