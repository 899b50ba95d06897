"""Names, phone numbers, e-mail addresses, zones and languages of people."""

import re
from functools import lru_cache
from zoneinfo import available_timezones

import phonenumbers

from services.imports.cells import fold, on_one_line, shown
from services.imports.rows import CellError

_EXTENSION = re.compile(r"(?:;?ext?\.?|x|#|durchwahl)\s*\d+$", re.IGNORECASE)
_SEVERAL = re.compile(r"\s+(?:/|or|oder|u|o|and|&)\s+|[;\n]|(?<=\d{4})\s*/\s*(?=\+?\(?\d{3})")
_LOST_DIGITS = re.compile(r"[0-9][.,][0-9]+E\+?[0-9]+", re.IGNORECASE)
_FLOAT_TAIL = re.compile(r"(?<=[0-9]{7})\.0$")
# Dot-atom of RFC 5322 section 3.2.3 before the @, host names of RFC 1123 section 2.1 behind it.
_EMAIL = re.compile(
    r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*"
    r"@(?:[^\W_](?:[\w-]{0,61}[^\W_])?\.)+[^\W\d_][\w-]{0,61}[^\W_]"
)
_LANGUAGE_TAG = re.compile(r"([A-Za-z]{2,3})(?:[-_]([A-Za-z]{2}))?")
# What people write in a language column, folded: the names in the language itself and in English.
_LANGUAGES = {
    name: tag
    for tag, names in {
        "en": "english englisch ingles anglais",
        "de": "german deutsch aleman allemand",
        "es": "spanish espanol spanisch castellano espagnol",
        "fr": "french francais franzosisch frances",
        "pt": "portuguese portugues portugiesisch portugais",
        "it": "italian italiano italienisch italien",
        "pl": "polish polski polnisch polaco polonais",
        "vi": "vietnamese vietnamesisch vietnamita vietnamien",
        "zh": "chinese mandarin chinesisch chino chinois",
        "ru": "russian russisch ruso russe",
        "ar": "arabic arabisch arabe",
        "uk": "ukrainian ukrainisch ucraniano ukrainien",
    }.items()
    for name in names.split()
}
# fmt: off
_SMALL_PARTS = {
    "al", "bin", "bint", "da", "de", "del", "della", "den", "der", "di", "do", "dos", "du", "el",
    "la", "las", "le", "los", "van", "von", "y", "zu",
}
# fmt: on
_SPREADSHEET_ERROR = re.compile(
    r"=.*|#(N/A|REF!|NAME\?|VALUE!|DIV/0!|NULL!|NUM!|NV)", re.IGNORECASE
)


def parse_phone(text: str, country: str) -> str:
    """The number in E.164, read as a national one of `country` (ISO 3166-1) unless it has a +.

    Raises CellError for several numbers, an extension, lost digits, and numbers that no numbering
    plan has (the library's metadata decides, so ranges set apart for fiction may fail it too).
    """
    text = _FLOAT_TAIL.sub("", on_one_line(text))
    if _LOST_DIGITS.fullmatch(text):
        raise CellError(
            "phone-lost-digits",
            f"{shown(text)}: the spreadsheet has rounded the number. Format the column as text,"
            " enter the number again and export.",
        )
    if len([part for part in _SEVERAL.split(text) if sum(map(str.isdigit, part)) > 6]) > 1:
        raise CellError(
            "phone-several",
            f"{shown(text)} holds several numbers. Keep the one for messages and move the others"
            " to the notes.",
        )
    if _EXTENSION.search(text):
        raise CellError(
            "phone-extension",
            f"{shown(text)} has an extension. Keep the number alone, the extension in the notes.",
        )
    return _e164(text, country)


def _e164(text: str, country: str) -> str:
    try:
        number = phonenumbers.parse(text, country)
    except phonenumbers.NumberParseException:
        raise CellError(
            "phone-unreadable",
            f"{shown(text)} is no phone number. Write the number alone, or empty the cell.",
        )
    if phonenumbers.is_valid_number(number):
        return phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164)
    reason = phonenumbers.is_possible_number_with_reason(number)
    if reason == phonenumbers.ValidationResult.IS_POSSIBLE_LOCAL_ONLY:
        raise CellError(
            "phone-area-code",
            f"{shown(text)} has no area code. Add it, or empty the cell.",
        )
    raise CellError(
        "phone-invalid",
        f"{shown(text)} is no number of the country {country}. Correct it, write it with + and the"
        " country code if it is foreign, or empty the cell.",
    )


def parse_email(text: str) -> str:
    """The address with its domain in small letters. Raises CellError unless it is exactly one."""
    text = on_one_line(text).removeprefix("mailto:")
    if not _EMAIL.fullmatch(text) or len(text) > 254:
        several = len(re.findall(r"@", text)) > 1
        raise CellError(
            "email-several" if several else "email-invalid",
            f"{shown(text)} holds several addresses. Keep one, move the others to the notes."
            if several
            else f"{shown(text)} is no e-mail address. Correct it, or empty the cell.",
        )
    name, _, domain = text.rpartition("@")
    return f"{name}@{domain.lower()}"


def parse_zone(text: str) -> str:
    """The IANA name of a time zone. Raises CellError for abbreviations: EST is not one place."""
    name = _zones().get(text.strip().replace(" ", "_").casefold(), "")
    if not name or ("/" not in name and name != "UTC"):
        raise CellError(
            "zone-unknown",
            f"{shown(text)} is no IANA time zone. Write for instance America/Chicago, or empty the"
            " cell for the location's.",
        )
    return name


@lru_cache(maxsize=1)
def _zones() -> dict[str, str]:
    return {name.casefold(): name for name in available_timezones()}


def parse_language(text: str) -> str:
    """A BCP 47 tag of language and perhaps region, from a tag or a language's name."""
    if tag := _LANGUAGES.get(fold(text)):
        return tag
    found = _LANGUAGE_TAG.fullmatch(text.strip())
    if not found:
        raise CellError(
            "language-unknown",
            f"{shown(text)} is no language. Write a tag, for instance en, es or fr-CA.",
        )
    return found[1].lower() + (f"-{found[2].upper()}" if found[2] else "")


def parse_name(text: str) -> str:
    """A name on one line. Raises CellError for what a spreadsheet leaves of a broken formula."""
    text = on_one_line(text)
    if _SPREADSHEET_ERROR.fullmatch(text):
        raise CellError(
            "spreadsheet-error",
            f"{shown(text)} is a formula or its error, not a name. Enter the name and export again.",
        )
    if not any(c.isalpha() for c in text):
        raise CellError("name-unreadable", f"{shown(text)} is no name. Enter the name.")
    if len(text) > 200:
        raise CellError("name-too-long", f"{shown(text)} is longer than 200 letters. Shorten it.")
    return text


def in_capitals_and_small(name: str) -> str:
    """`name` as it is, unless it is all capitals or all small: then each part gets its capital."""
    if len(name) < 3 or (name != name.upper() and name != name.lower()):
        return name
    words = name.lower().split(" ")
    return " ".join(
        word if at and word in _SMALL_PARTS else _capitalised(word) for at, word in enumerate(words)
    )


def _capitalised(word: str) -> str:
    """Capital at the start, after a hyphen or apostrophe, and after Mc."""
    parts = re.split(r"([-'’])", word)
    # A single letter behind an apostrophe is a possessive or a clipped ending, not a new part.
    parts = [p if at and len(p) == 1 else p[:1].upper() + p[1:] for at, p in enumerate(parts)]
    joined = "".join(parts)
    return re.sub(r"\bMc([a-z]{2})", lambda m: "Mc" + m[1].capitalize(), joined)
