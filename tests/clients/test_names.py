"""What a person is found by, whatever is typed."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clients.rules.names import LONGEST_WORD, MOST_WORDS, folded, name_words, search_words

# Digits alone are read as a phone number.
NAMES = st.text(st.characters(exclude_categories=["Cs", "Nd", "Nl", "No"]), max_size=60)


def found(typed: str, name: str) -> bool:
    return all(any(w.startswith(t) for w in name_words(name)) for t in search_words(typed))


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("dvor", "Cora Dvořák"),
        ("DVOŘ", "Cora Dvorak"),
        ("rene e", "Renée Étoile"),
        ("weiss", "Celia Weiß"),
        ("weiß", "CELIA WEISS"),
        ("lukas", "Hugo Łukasik"),
        ("łuk", "Hugo Lukasik"),
        ("soren", "Søren Æbelø"),
        ("aebe", "Søren Æbelø"),
        ("obri", "Celia O’Brien"),
        ("o'br", "Celia OBrien"),
        ("brien", "Celia O'Brien"),
        ("smith-jo", "Ann Jones-Smith"),
        ("isik", "Deniz Işık"),
        ("istan", "İSTANBULLU"),
        ("nguyen", "Nguyễn Thị Hoa"),
        ("李", "李 小龙"),
        ("e\u0301to", "Étoile"),
    ],
)
def test_accents_case_and_marks_make_no_difference(typed, name):
    assert found(typed, name)


@pytest.mark.parametrize(("typed", "name"), [("rak", "Cora Dvořák"), ("cora z", "Cora Dvořák")])
def test_only_beginnings_of_every_word_count(typed, name):
    assert not found(typed, name)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("(312) 555-01", ["31255501"]),
        ("+49 30 901", ["4930901"]),
        ("0049 30", ["4930"]),
        ("00", ["00"]),
        ("  ", []),
        ("!?", []),
        ("+", []),
        ("anna anna", ["anna"]),
    ],
)
def test_a_number_is_one_word_and_nothing_is_none(typed, words):
    assert search_words(typed) == words


@settings(deadline=None)
@given(NAMES)
def test_a_name_is_found_by_every_beginning_of_itself(name):
    whole = folded(name)
    for end in range(1, len(whole) + 1):
        assert found(whole[:end], name) or not whole[:end].strip()


@settings(deadline=None)
@given(NAMES)
def test_folding_is_stable_and_leaves_no_marks(name):
    once = folded(name)
    assert folded(once) == once
    assert not any(unicodedata.combining(c) for c in once)
    assert all(len(w) <= LONGEST_WORD for w in name_words(name))
    assert len(search_words(name)) <= MOST_WORDS
