"""Prices to minor units (ISO 4217) and lengths of time to minutes."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.imports.amounts import (
    PriceColumn,
    minor_digits,
    parse_minutes,
    parse_price,
    parse_weeks,
)
from services.imports.rows import CellError

# Not thousands alone: 1.234 without cents is the doubtful case, tested apart.
cents = st.integers(0, 9_999_999)


def grouped(whole: int, mark: str) -> str:
    return f"{whole:,}".replace(",", mark)


@given(
    cents,
    st.sampled_from(
        [(".", ""), (",", ""), (",", "."), (".", ","), (",", " "), (".", "'"), (".", "’")]
    ),
    st.sampled_from(["{}", "€{}", "€ {}", "{} €", "{} EUR", "EUR {}", "{}€"]),
)
def test_a_price_with_cents_comes_back_however_it_is_written(minor, how, frame):
    mark, thousands = how
    whole, rest = divmod(minor, 100)
    text = frame.format(f"{grouped(whole, thousands)}{mark}{rest:02d}")
    assert parse_price(text, "EUR") == minor
    assert Decimal(minor) == Decimal(f"{whole}.{rest:02d}") * 100


@given(
    st.integers(0, 999_999),
    st.sampled_from(["{}", "${}", "$ {}", "{} USD", "US${}", "{}.-", "{},--"]),
)
def test_a_price_without_cents_comes_back(whole, frame):
    assert parse_price(frame.format(whole), "USD") == whole * 100


@pytest.mark.parametrize(
    ("text", "currency", "minor"),
    [
        ("1.234,50", "EUR", 123_450),
        ("$45", "USD", 4_500),
        ("45", "USD", 4_500),
        ("45.5", "USD", 4_550),
        ("$ 1,234,567.00", "USD", 123_456_700),
        ("$45", "CAD", 4_500),
        ("CA$45", "CAD", 4_500),
        ("45 kr", "SEK", 4_500),
        ("45,00 zł", "PLN", 4_500),
        ("Fr. 45", "CHF", None),
        ("¥4,500", "JPY", 4_500),
        ("4500", "JPY", 4_500),
        ("1.250", "KWD", None),
        ("1.250,500", "KWD", 1_250_500),
        ("0", "USD", 0),
    ],
)
def test_prices_by_example(text, currency, minor):
    if minor is None:
        with pytest.raises(CellError):
            parse_price(text, currency)
    else:
        assert parse_price(text, currency) == minor


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1.234", "price-doubtful"),
        ("1,234", "price-doubtful"),
        ("€45", "price-currency"),
        ("45 GBP", "price-currency"),
        ("CA$45", "price-currency"),
        ("ask", "price-unreadable"),
        ("45-60", "price-unreadable"),
        ("from 45", "price-currency"),
        ("45+", "price-unreadable"),
        ("-45", "price-unreadable"),
        ("1.2.3", "price-unreadable"),
        ("12,34,567.00", "price-unreadable"),
        ("45.1234", "price-unreadable"),
        ("4 5", "price-unreadable"),
        ("999999999999", "price-too-large"),
        ("9" * 5000, "price-unreadable"),
        ("٤٥", "price-unreadable"),
    ],
)
def test_what_is_not_one_price_says_what_to_do(text, code):
    with pytest.raises(CellError) as wrong:
        parse_price(text, "USD")
    assert wrong.value.code == code
    assert "rite" in wrong.value.message or "Correct" in wrong.value.message


def test_the_column_tells_thousands_from_cents():
    column = PriceColumn(minor_digits("EUR"))
    for text in ("45,00", "1.234", "112,50", "80"):
        column.add(text)
    assert column.mark == ","
    assert parse_price("1.234", "EUR", column.mark) == 123_400
    # Three digits behind the mark of the cents stay doubtful.
    with pytest.raises(CellError):
        parse_price("1,234", "EUR", column.mark)


def test_a_column_that_uses_both_marks_tells_nothing_and_says_so():
    column = PriceColumn(2)
    for text in ("45,00", "45.00", "1.234"):
        column.add(text)
    assert column.mark == ""
    assert "1 prices with a point" in column.decision("Price")


minutes = st.integers(1, 599)


@given(
    minutes,
    st.sampled_from(
        [
            "{m}",
            "{m} min",
            "{m}min",
            "{m} minutes",
            "{m}'",
            "{m} Min.",
            "{h}:{r:02d}",
            "{h:02d}:{r:02d}:00",
        ]
    ),
)
def test_minutes_come_back(length, shape):
    hours, rest = divmod(length, 60)
    assert parse_minutes(shape.format(m=length, h=hours, r=rest), 1, 600) == length


@given(minutes, st.sampled_from(["{h}h {r}", "{h}h{r:02d}", "{h} h {r} min", "{h} hr {r} mins",
                                 "{h} hours and {r} minutes", "{h} Std. {r} Min.", "{h} Stunden und {r} Minuten",
                                 "{h} hora y {r} minutos", "{h} heure et {r}"]))  # fmt: skip
def test_hours_and_minutes_come_back(length, shape):
    hours, rest = divmod(length, 60)
    assert parse_minutes(shape.format(h=hours, r=rest), 1, 600) == length


@given(st.integers(1, 40), st.sampled_from([".", ","]))
def test_quarters_of_hours_come_back(quarters, mark):
    text = f"{Decimal(quarters) / 4}".replace(".", mark)
    assert parse_minutes(f"{text} h", 1, 600) == quarters * 15


@pytest.mark.parametrize("text", ["1h 15", "75", "1:15", "1.25 h", "75'"])
def test_one_length_in_all_its_forms(text):
    assert parse_minutes(text, 5, 480) == 75


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "minutes-unreadable"),
        ("long", "minutes-unreadable"),
        ("1.5", "minutes-unreadable"),
        ("0.03125", "minutes-unreadable"),
        ("1.33 h", "minutes-unreadable"),
        ("1h 75", "minutes-unreadable"),
        ("1.5 h 10", "minutes-unreadable"),
        ("0:75", "minutes-unreadable"),
        ("15-20", "minutes-unreadable"),
        ("-15", "minutes-unreadable"),
        ("9" * 5000, "minutes-unreadable"),
        ("1", "minutes-range"),
        ("900", "minutes-range"),
    ],
)
def test_what_is_no_length_says_what_to_do(text, code):
    with pytest.raises(CellError) as wrong:
        parse_minutes(text, 5, 480)
    assert wrong.value.code == code
    assert "Write whole minutes" in wrong.value.message


@pytest.mark.parametrize(("text", "weeks"), [("4", 4), ("4 weeks", 4), ("6 Wks.", 6), ("52", 52)])
def test_weeks_are_read(text, weeks):
    assert parse_weeks(text, 52) == weeks


@pytest.mark.parametrize("text", ["0", "53", "4-6", "monthly", "4.5"])
def test_what_is_no_number_of_weeks_is_an_error(text):
    with pytest.raises(CellError):
        parse_weeks(text, 52)
