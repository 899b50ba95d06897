"""Which characters the bytes of a file mean; decided on the whole file, and said."""

import codecs
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from services.imports.rows import FileRefused

# Lead and continuation bytes of RFC 3629; a strict decoder still has the last word on reading.
_SEQUENCE = re.compile(
    rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}"
)
_HIGH = re.compile(rb"[\x80-\xff]")
# The five bytes to which Windows-1252 gives no character (WHATWG and Unicode's CP1252.TXT).
_UNDEFINED = b"\x81\x8d\x8f\x90\x9d"
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_SAVE_AGAIN = 'save the file again as "CSV UTF-8", or say what it is with --encoding'


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How to decode a file, and the sentence that says why."""

    codec: str
    name: str
    decision: str


@dataclass(slots=True)
class _Census:
    """What kinds of bytes there are."""

    head: bytes = b""
    sequences: int = 0
    strays: int = 0
    lines: int = 1
    first_stray_line: int = 0
    stray_bytes: set[int] = field(default_factory=set)

    def add(self, data: bytes) -> None:
        if not data.isascii():
            rest = _SEQUENCE.sub(b"", data)
            self.sequences += len(_SEQUENCE.findall(data))
            if stray := _HIGH.search(rest):
                if not self.strays:
                    self.first_stray_line = self.lines + rest.count(b"\n", 0, stray.start())
                found = _HIGH.findall(rest)
                self.strays += len(found)
                self.stray_bytes.update(b[0] for b in found)
        self.lines += data.count(b"\n")


def detect(chunks: Iterable[bytes], wanted: str = "") -> Encoding:
    """The encoding of the bytes in `chunks`: the one `wanted`, a byte order mark's, UTF-8,
    UTF-16 without a mark, or Windows-1252, in this order.

    Raises FileRefused for an unknown name, for bytes that fit none of them and for a mixture.
    """
    census = _count(chunks)
    if wanted:
        return _as_wanted(wanted, census.head)
    for mark, codec, name in _BOMS:
        if census.head.startswith(mark):
            return Encoding(
                codec=codec, name=name, decision=f"Read as {name}: it starts with its mark."
            )
    if codec := _utf16_without_mark(census.head):
        return Encoding(
            codec=codec,
            name="UTF-16",
            decision="Read as UTF-16 without a mark: every other byte is 0.",
        )
    return _eight_bit(census)


def _count(chunks: Iterable[bytes]) -> _Census:
    census, carry = _Census(), b""
    for chunk in chunks:
        if len(census.head) < 4096:
            census.head += chunk[:4096]
        data = carry + chunk
        # A character may be cut in two at the chunk's end: what its lead byte begins waits.
        cut = next((n for n in (1, 2, 3) if len(data) >= n and data[-n] >= 0xC2), 0)
        data, carry = (data[:-cut], data[-cut:]) if cut else (data, b"")
        census.add(data)
    census.add(carry)
    return census


def _as_wanted(wanted: str, head: bytes) -> Encoding:
    try:
        b"a".decode(wanted, "replace")  # also refuses codecs that are not for text
        codec = codecs.lookup(wanted).name
    except (LookupError, ValueError):
        raise FileRefused(
            "encoding-unknown",
            f"There is no encoding {wanted!r}. Write for instance utf-8, utf-16 or windows-1252.",
        )
    if codec == "utf-8" and head.startswith(codecs.BOM_UTF8):
        codec = "utf-8-sig"
    return Encoding(codec=codec, name=wanted, decision=f"Read as {wanted}, as you said.")


def _utf16_without_mark(head: bytes) -> str:
    """The codec, where one of each pair of bytes is mostly zero and the other hardly ever."""
    pairs = len(head) // 2
    if pairs < 8:
        return ""
    first, second = head[0 : pairs * 2 : 2].count(0), head[1 : pairs * 2 : 2].count(0)
    if second > pairs * 0.7 and first < pairs * 0.05:
        return "utf-16-le"
    return "utf-16-be" if first > pairs * 0.7 and second < pairs * 0.05 else ""


def _eight_bit(census: _Census) -> Encoding:
    if not census.strays:
        kind = "it is valid" if census.sequences else "it is plain ASCII"
        return Encoding(codec="utf-8", name="UTF-8", decision=f"Read as UTF-8: {kind}.")
    where = f"line {census.first_stray_line}"
    # A capital with an accent before a typographic quote looks like one UTF-8 character by chance;
    # a quarter or more cannot be chance.
    if census.sequences * 4 >= census.strays:
        raise FileRefused(
            "encoding-mixed",
            f"Most accented letters are UTF-8, but those in {where} are not: two files were put"
            f" together. Correct that line and {_SAVE_AGAIN}.",
        )
    if any(b in _UNDEFINED for b in census.stray_bytes):
        raise FileRefused(
            "encoding-unknown",
            f"The letters in {where} are neither UTF-8 nor Windows-1252: {_SAVE_AGAIN}.",
        )
    letters = " ".join(sorted(bytes([b]).decode("cp1252") for b in census.stray_bytes)[:12])
    return Encoding(
        codec="cp1252",
        name="Windows-1252",
        decision=f"Read as Windows-1252, because {where} is not UTF-8. It has these letters:"
        f" {letters} - if they look wrong, {_SAVE_AGAIN}.",
    )
