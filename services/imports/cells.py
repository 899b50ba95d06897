"""Text as it stands in a cell: tidied for storing, folded for comparing, shortened for showing."""

import re
import unicodedata

_SHOWN_LENGTH = 40
# Spaces that are not U+0020 come along from web pages and word processors.
_SPACES = re.compile(r"[\u00a0\u2000-\u200a\u202f\u205f\u3000]")
# Byte order marks, soft hyphens, zero-width spaces and direction marks: copied phone numbers are
# full of them. The zero-width joiners U+200C and U+200D stay, Persian and Indic names need them.
_INVISIBLE = re.compile(r"[\ufeff\u00ad\u200b\u200e\u200f\u202a-\u202e\u2060\u2066-\u2069]")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_NOT_WORD = re.compile(r"[\W_]+")
_BRACKETED = re.compile(r"\([^)]*\)|\[[^\]]*\]")


def clean(text: str) -> str:
    """`text` in Unicode form C without invisible characters, outer spaces or Windows line ends."""
    if not text.isascii():
        text = unicodedata.normalize("NFC", _INVISIBLE.sub("", _SPACES.sub(" ", text)))
    return text.replace("\r\n", "\n").replace("\r", "\n").strip()


def on_one_line(text: str) -> str:
    """`text` with every run of white space, line breaks too, as one space."""
    return " ".join(text.split())


def fold(text: str) -> str:
    """A form in which case, accents, punctuation and spacing make no difference."""
    text = text.casefold()
    if not text.isascii():
        plain = unicodedata.normalize("NFKD", text)
        text = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(_NOT_WORD.sub(" ", text).split())


def fold_header(text: str) -> str:
    """A column's name folded, without what stands in brackets: "Price (USD)" is "price"."""
    return fold(_BRACKETED.sub(" ", text)) or fold(text)


def shown(text: str) -> str:
    """`text` in quotes for a message, on one line and not too long."""
    line = _CONTROL.sub("?", on_one_line(text))
    return f"'{line}'" if len(line) <= _SHOWN_LENGTH else f"'{line[: _SHOWN_LENGTH - 1]}…'"


def control_character(text: str) -> str:
    """The name of the first control character in `text` that no text should hold, or ''."""
    found = _CONTROL.search(text)
    return "" if found is None else f"U+{ord(found.group()):04X}"
