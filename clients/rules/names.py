"""How people are found: by the beginnings of the words of a name, whatever accents are typed. Pure."""

import unicodedata
from collections.abc import Iterator

#: Longer beginnings tell nobody apart and would not fit an index (house policy).
LONGEST_WORD = 40
MOST_WORDS = 6
_APOSTROPHES = "'’‘ʼʻ`´"
# Letters that Unicode does not take apart into a base letter and a mark.
_BASE_LETTERS = str.maketrans(
    {"ł": "l", "ø": "o", "đ": "d", "ð": "d", "ħ": "h", "ŧ": "t", "ı": "i", "þ": "th", "æ": "ae", "œ": "oe"}
)  # fmt: skip
_PHONE_MARKS = frozenset("+-()./ \u00a0")


def folded(text: str) -> str:
    """`text` in small letters without accents, apostrophes or other marks, words one space apart."""
    return " ".join(_words(text, apostrophe=""))


def name_words(name: str) -> frozenset[str]:
    """What a name is found by: each part of it; O'Brien by `obrien` as well as by `brien`."""
    return frozenset(
        word[:LONGEST_WORD] for joint in ("", " ") for word in _words(name, apostrophe=joint)
    )


def search_words(text: str) -> list[str]:
    """The beginnings that were typed, at most six; a phone number is one, as its digits alone."""
    digits = "".join(c for c in text if c.isdigit() and c.isascii())
    if digits and all(c in _PHONE_MARKS or c in digits for c in text):
        # 00 is how most countries dial what is written as +.
        return [(digits.removeprefix("00") or digits)[:LONGEST_WORD]]
    words = dict.fromkeys(w[:LONGEST_WORD] for w in _words(text, apostrophe=""))
    return list(words)[:MOST_WORDS]


def _words(text: str, *, apostrophe: str) -> Iterator[str]:
    for mark in _APOSTROPHES:
        text = text.replace(mark, apostrophe)
    apart = unicodedata.normalize("NFKD", text.casefold()).casefold().translate(_BASE_LETTERS)
    plain = "".join(c for c in apart if not unicodedata.category(c).startswith("M"))
    yield from "".join(c if c.isalnum() else " " for c in plain).split()
