"""Photographs: what a file is by its content, the plain picture made of it, and when none is taken. Pure.

Nothing a sender says about a file counts: not its name, not its declared type. What is kept is drawn
anew from the pixels alone, so that no metadata, no comment and no other file behind it comes along.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from io import BytesIO

from PIL import Image, ImageOps
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.WebPImagePlugin import WebPImageFile

from services.rules.protected import ADULT_AT, INTIMATE

#: House policy; what a tablet's or telephone's camera makes is well below.
MOST_BYTES = 8 * 1024 * 1024
MOST_PIXELS = 40_000_000
#: The longest side of what is kept, in pixels, and its JPEG quality (house policy).
LONGEST_SIDE = 2560
QUALITY = 88
#: A progressive JPEG draws the whole picture once for each scan, and a scan takes a few bytes: encoders
#: make about ten. Marker SOS is FF DA, which coded data cannot hold (ITU-T T.81, B.1.1.2 and B.1.1.5).
MOST_SCANS = 32
#: Of somebody who is not known to be an adult no picture of these is taken (house policy).
NEVER_OF_MINORS = INTIMATE | {"chest"}


class Moment(StrEnum):
    """What a photograph shows: the skin before or after the work, a finding, a reaction or an injury."""

    BEFORE = "before"
    AFTER = "after"
    FINDING = "finding"
    REACTION = "reaction"
    INJURY = "injury"


class Fault(StrEnum):
    """Why a file is not kept as a photograph."""

    OTHER_FORMAT = "other_format"
    DAMAGED = "damaged"
    ANIMATED = "animated"
    TOO_LARGE = "too_large"
    TOO_MANY_PIXELS = "too_many_pixels"
    TOO_MANY_SCANS = "too_many_scans"
    COLOURS = "colours"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A JPEG of the pixels alone, upright; `width` and `height` in pixels."""

    jpeg: bytes
    width: int
    height: int


#: First bytes -> format. JPEG: ITU-T T.81 (SOI, then a marker); PNG: RFC 2083, 3.1; the others name
#: what is refused: GIF89a, PDF (ISO 32000-1, 7.5.2), TIFF 6.0; the rest from memory.
_BEGINNINGS = {
    b"\xff\xd8\xff": "jpeg",
    b"\x89PNG\r\n\x1a\n": "png",
    b"GIF8": "gif",
    b"%PDF-": "pdf",
    b"II*\x00": "tiff",
    b"MM\x00*": "tiff",
    b"BM": "bmp",
    b"PK\x03\x04": "archive",
    b"#!": "script",
    b"MZ": "program",
    b"\x7fELF": "program",
}
_TAGS = {b"<svg": "svg", b"<script": "script", b"<html": "html", b"<!doctype html": "html"}
#: Each opener takes its own format and no other, and opens without decoding.
_OPENERS: dict[str, Callable[[BytesIO], Image.Image]] = {
    "jpeg": JpegImageFile,
    "png": PngImageFile,
    "webp": WebPImageFile,
}
_COLOURS = frozenset({"1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr"})


def format_of(content: bytes) -> str:
    """What a file is by its first bytes: jpeg, png, webp, the name of something else, or `unknown`."""
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":  # RFC 9649, 2.4
        return "webp"
    if content[4:8] == b"ftyp":  # ISO/IEC 14496-12: telephones keep HEIC and films so
        return "heic_or_film"
    for beginning, name in _BEGINNINGS.items():
        if content.startswith(beginning):
            return name
    text = content[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith(b"<"):
        found = {text.find(tag): name for tag, name in _TAGS.items() if tag in text}
        return found[min(found)] if found else "xml"
    return "unknown"


def picture_of(content: bytes) -> Picture | Fault:
    """The plain picture of a JPEG, PNG or WebP file, or why there is none.

    Size, scans and pixels are looked at before anything is decoded. Turned upright as its metadata
    says, made at most `LONGEST_SIDE` long, laid on white where it is transparent. Colours are taken
    as sRGB: a colour profile goes with the metadata.
    """
    kind = format_of(content)
    if len(content) > MOST_BYTES:
        return Fault.TOO_LARGE
    if kind not in _OPENERS:
        return Fault.OTHER_FORMAT
    if kind == "jpeg" and content.count(b"\xff\xda") > MOST_SCANS:
        return Fault.TOO_MANY_SCANS
    width, height = _canvas(content) if kind == "webp" else (0, 0)
    if width * height > MOST_PIXELS:
        return Fault.TOO_MANY_PIXELS
    try:
        with _OPENERS[kind](BytesIO(content)) as image:
            return _fault_of(image) or _plain(image)
    except Exception:  # noqa: BLE001 - whatever a decoder trips over, the file is no whole picture
        return Fault.DAMAGED


def _canvas(content: bytes) -> tuple[int, int]:
    """The size that an extended WebP claims (RFC 9649, 2.7); its opener sets aside memory for it."""
    if content[12:16] != b"VP8X":
        return 0, 0
    return (
        1 + int.from_bytes(content[24:27], "little"),
        1 + int.from_bytes(content[27:30], "little"),
    )


def _fault_of(image: Image.Image) -> Fault | None:
    if image.width * image.height > MOST_PIXELS:
        return Fault.TOO_MANY_PIXELS
    if getattr(image, "is_animated", False):
        return Fault.ANIMATED
    return None if image.mode in _COLOURS else Fault.COLOURS


def _plain(image: Image.Image) -> Picture:
    if image.mode in {"1", "P", "PA"}:
        # A palette cannot be made smaller without guessing colours.
        image = image.convert("RGBA")
    image.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    image = ImageOps.exif_transpose(image)
    plain = Image.new("RGB", image.size, "white")
    if image.has_transparency_data:
        image = image.convert("RGBA")
        plain.paste(image, mask=image.getchannel("A"))
    else:
        plain.paste(image.convert("RGB"))
    kept = BytesIO()
    plain.save(kept, "JPEG", quality=QUALITY)
    return Picture(jpeg=kept.getvalue(), width=plain.width, height=plain.height)


def needs_area(years: int | None) -> bool:
    """Whether what is shown must be named: of whoever is not known to be an adult."""
    return years is None or years < ADULT_AT


def may_show(area: str | None, years: int | None, touching: Iterable[str]) -> bool:
    """Whether a picture of `area` (with all that shares skin with it) is taken of somebody of that age.

    `years` None: not known, which counts as a minor.
    """
    if not needs_area(years):
        return True
    return area is not None and not NEVER_OF_MINORS & {area, *touching}


def is_agreed(consents: Mapping[str, bool], years: int | None) -> bool:
    """Whether photographs may be taken and shown: the client agreed, and for a minor the guardian did.

    By the consents that hold; a guardian's is the one to services on a minor.
    """
    is_minor = years is not None and years < ADULT_AT
    return bool(consents.get("photographs") and (not is_minor or consents.get("guardian_service")))


def about(moment: Moment, area: str | None) -> bytes:
    """What is sealed beside a picture: what it shows."""
    return json.dumps({"moment": moment, "area": area}).encode()
