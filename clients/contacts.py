"""Phone numbers, e-mail addresses and birth dates as they may be kept; raises InvalidInput."""

from datetime import date

import phonenumbers
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from phonenumbers import PhoneNumberFormat

from clients.rules.names import name_words
from spa_ops.kernel.problems import invalid

#: House policy: an earlier birth date is a slip of the hand.
OLDEST_YEARS = 120


def checked_phone(text: str, country: str | None) -> str:
    """The number in E.164, read as a national one of `country` (ISO 3166-1) unless it begins with +.

    The library's numbering plans decide what can be a number.
    """
    if not text.strip():
        return ""
    try:
        number = phonenumbers.parse(text, country)
    except phonenumbers.NumberParseException:
        raise invalid("/phone", "is no phone number; begin a foreign one with +") from None
    if number.extension:
        raise invalid(
            "/phone", "has an extension: keep the number alone, the extension in the note"
        )
    if not phonenumbers.is_valid_number(number):
        raise invalid(
            "/phone", f"is no number of {country or 'that country'}; begin a foreign one with +"
        )
    return phonenumbers.format_number(number, PhoneNumberFormat.E164)


def checked_email(text: str) -> str:
    """The address with its domain in small letters, or ''."""
    text = text.strip()
    if not text:
        return ""
    try:
        validate_email(text)
    except ValidationError:
        raise invalid("/email", "must be one e-mail address") from None
    name, _, domain = text.rpartition("@")
    return f"{name}@{domain.lower()}"


def checked_birth_date(day: date | None, today: date) -> date | None:
    """A day not after `today`, the location's date, and not 120 years before it."""
    if day is None:
        return None
    if day > today:
        raise invalid("/birth_date", "must not lie in the future")
    if (day.year + OLDEST_YEARS, day.month, day.day) < (today.year, today.month, today.day):
        raise invalid("/birth_date", f"must not lie more than {OLDEST_YEARS} years back")
    return day


def found_by(name: str, phone: str) -> frozenset[str]:
    """Every word whose beginning finds a client: the parts of the name, the number in two forms."""
    if not phone:
        return name_words(name)
    number = phonenumbers.parse(phone)
    national = phonenumbers.format_number(number, PhoneNumberFormat.NATIONAL)
    return name_words(name) | {phone.lstrip("+"), "".join(filter(str.isdigit, national))}
