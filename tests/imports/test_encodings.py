"""Which encoding a file is read with: the WHATWG's Windows-1252 and RFC 3629's UTF-8 decide."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.imports.encodings import detect
from services.imports.rows import FileRefused
from tests.imports import files

TEXT = "name\nZoë Müller\nJosé Ñandú\n"


def found(data: bytes, wanted: str = ""):
    return detect([data], wanted)


@pytest.mark.parametrize(
    ("codec", "name"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("utf-16-be", "UTF-16"),
        ("utf-32", "UTF-32"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_an_encoding_is_recognised_and_reads_the_text_back(codec, name):
    data = TEXT.encode(codec)
    encoding = found(data)
    assert encoding.name == name
    assert name in encoding.decision
    assert data.decode(encoding.codec).removeprefix("\ufeff") == TEXT


def test_windows_1252_says_from_which_line_on_and_shows_the_letters():
    decision = found(b"name\nplain\nZo\xeb M\xfcller\n").decision
    assert "line 3" in decision
    assert "ë ü" in decision


def test_bytes_that_windows_1252_leaves_undefined_are_refused():
    with pytest.raises(FileRefused, match="line 2") as refused:
        found(b"name\nA\x81B\n")
    assert refused.value.code == "encoding-unknown"


def test_a_mixture_of_two_encodings_is_refused_and_names_the_line():
    mixed = "Zoë\nJosé\nMüller\n".encode() + "Ñandú\n".encode("cp1252")
    with pytest.raises(FileRefused, match="line 4") as refused:
        found(mixed)
    assert refused.value.code == "encoding-mixed"


def test_what_the_person_says_wins_and_is_said_back():
    encoding = found(TEXT.encode("cp1252"), "latin-1")
    assert (encoding.codec, encoding.name) == ("iso8859-1", "latin-1")
    assert "as you said" in encoding.decision


@pytest.mark.parametrize("wanted", ["nonsense", "hex", "rot13", "utf 8 \x00"])
def test_a_name_that_is_no_text_encoding_is_refused(wanted):
    with pytest.raises(FileRefused) as refused:
        found(b"name\n", wanted)
    assert refused.value.code == "encoding-unknown"


@given(st.text(min_size=1), st.lists(st.integers(1, 7), min_size=1))
def test_utf8_is_recognised_wherever_the_chunks_are_cut(text, sizes):
    # Eight letters in front, so that no text of NUL characters passes for UTF-16.
    data = ("abcdefgh" * 4 + text).encode()
    chunks, at = [], 0
    while at < len(data):
        size = sizes[len(chunks) % len(sizes)]
        chunks.append(data[at : at + size])
        at += size
    assert detect(chunks).codec == "utf-8"


def test_a_wrong_word_of_the_person_is_refused_where_the_bytes_do_not_fit(tmp_path):
    with pytest.raises(FileRefused) as refused:
        files.clients(tmp_path, "name\nZoë Q\n", written_as="cp1252", encoding="utf-8")
    assert refused.value.code == "encoding-wrong"
