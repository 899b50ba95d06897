"""Phone numbers, addresses, zones, languages and names of people.

Numbers are from ranges that the plans set apart for fiction: 555-0100 to 555-0199 in North America,
(0)30 23125 000 to 999 for Berlin (Bundesnetzagentur), 020 7946 0000 to 0999 for London (Ofcom).
"""

import phonenumbers
import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.imports import contacts
from services.imports.rows import CellError


@pytest.mark.parametrize(
    ("text", "country", "e164"),
    [
        ("(312) 555-0101", "US", "+13125550101"),
        ("312.555.0101", "US", "+13125550101"),
        ("1 312 555 0101", "US", "+13125550101"),
        ("+1 312 555 0101", "DE", "+13125550101"),
        ("001 312 555 0101", "DE", "+13125550101"),
        ("3125550101.0", "US", "+13125550101"),
        ("030 23125 001", "DE", "+493023125001"),
        ("030/23125001", "DE", "+493023125001"),
        ("+49 (0)30 23125-001", "US", "+493023125001"),
        ("020 7946 0123", "GB", "+442079460123"),
        ("(416) 555-0123", "CA", "+14165550123"),
    ],
)
def test_national_numbers_become_e164_by_the_country(text, country, e164):
    assert contacts.parse_phone(text, country) == e164


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("555-0101", "phone-area-code"),
        ("312-555-01", "phone-invalid"),
        ("(112) 555-0101", "phone-invalid"),
        ("n/a", "phone-unreadable"),
        ("call the shop", "phone-unreadable"),
        ("3.12556E+09", "phone-lost-digits"),
        ("3,12556E+09", "phone-lost-digits"),
        ("312 555 0101 x12", "phone-extension"),
        ("312 555 0101 ext. 12", "phone-extension"),
        ("312-555-0101 / 312-555-0102", "phone-several"),
        ("312-555-0101/312-555-0102", "phone-several"),
        ("312-555-0101; 312-555-0102", "phone-several"),
        ("312-555-0101 or 312-555-0102", "phone-several"),
        ("9" * 5000, "phone-unreadable"),
    ],
)
def test_what_is_no_single_number_says_what_to_do(text, code):
    with pytest.raises(CellError) as wrong:
        contacts.parse_phone(text, "US")
    assert wrong.value.code == code
    assert wrong.value.message.count(".") >= 2


def test_a_range_for_fiction_that_no_plan_uses_is_possible_but_not_valid():
    # Ofcom keeps 07700 900000 to 900999 for fiction; the library's plan does not have it.
    number = phonenumbers.parse("07700 900123", "GB")
    assert phonenumbers.is_possible_number(number)
    assert not phonenumbers.is_valid_number(number)
    with pytest.raises(CellError) as wrong:
        contacts.parse_phone("07700 900123", "GB")
    assert wrong.value.code == "phone-invalid"


forms = st.sampled_from(
    [phonenumbers.PhoneNumberFormat.NATIONAL, phonenumbers.PhoneNumberFormat.INTERNATIONAL,
     phonenumbers.PhoneNumberFormat.E164]
)  # fmt: skip


@given(st.sampled_from(["US", "DE", "GB", "FR", "ES", "MX", "AU"]), forms)
def test_every_form_of_a_number_comes_back(country, form):
    number = phonenumbers.example_number(country)
    text = phonenumbers.format_number(number, form)
    assert contacts.parse_phone(text, country) == phonenumbers.format_number(number, 0)


@pytest.mark.parametrize(
    ("text", "email"),
    [
        ("ana@example.com", "ana@example.com"),
        ("Ana.Q+spa@Example.COM", "Ana.Q+spa@example.com"),
        ("mailto:ana@example.org", "ana@example.org"),
        ("ana@post.invalid", "ana@post.invalid"),
        ("ana@müller.example", "ana@müller.example"),
    ],
)
def test_addresses_are_read(text, email):
    assert contacts.parse_email(text) == email


@pytest.mark.parametrize(
    "text",
    ["ana", "ana@", "@example.com", "ana@example", "ana @example.com", "a..b@example.com",
     "ana@example..com", "ana@-example.com", "a" * 250 + "@example.com", "Ana <ana@example.com>"],
)  # fmt: skip
def test_what_is_no_address_is_an_error(text):
    with pytest.raises(CellError) as wrong:
        contacts.parse_email(text)
    assert wrong.value.code == "email-invalid"


def test_two_addresses_are_told_apart_from_none():
    with pytest.raises(CellError) as wrong:
        contacts.parse_email("ana@example.com; bea@example.com")
    assert wrong.value.code == "email-several"


def test_zones_are_iana_names_and_abbreviations_are_not():
    assert contacts.parse_zone("america/new york") == "America/New_York"
    assert contacts.parse_zone("UTC") == "UTC"
    for text in ("EST", "CST6CDT", "Central Time", "GMT-5", "America/Nowhere"):
        with pytest.raises(CellError):
            contacts.parse_zone(text)


@pytest.mark.parametrize(
    ("text", "tag"),
    [("en", "en"), ("EN-us", "en-US"), ("fr_CA", "fr-CA"), ("Deutsch", "de"), ("español", "es"),
     ("Français", "fr"), ("Spanish", "es")],
)  # fmt: skip
def test_languages_become_tags(text, tag):
    assert contacts.parse_language(text) == tag


@pytest.mark.parametrize("text", ["both", "english, spanish", "e", "klingon"])
def test_what_is_no_language_is_an_error(text):
    with pytest.raises(CellError):
        contacts.parse_language(text)


@pytest.mark.parametrize(
    ("typed", "tidied"),
    [
        ("ANA GARCÍA", "Ana García"),
        ("jane o'brien-smith", "Jane O'Brien-Smith"),
        ("MARIA DE LA CRUZ", "Maria de la Cruz"),
        ("RONALD MCDONALD", "Ronald McDonald"),
        ("ÉMILE", "Émile"),
        # What has capitals and small letters was meant so.
        ("van der Berg", "van der Berg"),
        ("DeShawn", "DeShawn"),
        ("Bo", "Bo"),
    ],
)
def test_only_all_capitals_and_all_small_letters_are_put_right(typed, tidied):
    assert contacts.in_capitals_and_small(typed) == tidied


@given(st.text(max_size=30))
def test_putting_right_changes_nothing_but_case(name):
    tidied = contacts.in_capitals_and_small(name)
    assert tidied.casefold() in (name.casefold(), name.lower().casefold())
    if name not in (name.upper(), name.lower()):
        assert tidied == name


@pytest.mark.parametrize("text", ["#REF!", "#N/A", "=A2&B2", "#NV"])
def test_a_broken_formula_is_no_name(text):
    with pytest.raises(CellError) as wrong:
        contacts.parse_name(text)
    assert wrong.value.code == "spreadsheet-error"


@pytest.mark.parametrize("text", ["-", "123", "?" * 5, "A" * 201])
def test_what_has_no_letters_or_too_many_is_no_name(text):
    with pytest.raises(CellError):
        contacts.parse_name(text)
