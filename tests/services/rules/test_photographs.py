"""Files that are no photographs, and what is left of those that are. Pillow reads back what is kept.

Sources: JPEG markers, ITU-T T.81; PNG signature and chunks, RFC 2083; WebP, RFC 9649; Exif tags 0x0112
(orientation), 0x8825 (GPS), CIPA DC-008. GIF89a and PDF by their own specifications.
"""

import random
import struct
import zlib
from io import BytesIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFile, ImageSequence, ImageStat
from PIL.ExifTags import GPS, IFD, Base

from clients.rule_files import shipped_rule_set
from services.rules.photographs import (
    LONGEST_SIDE,
    MOST_BYTES,
    MOST_PIXELS,
    MOST_SCANS,
    Fault,
    Picture,
    format_of,
    is_agreed,
    may_show,
    needs_area,
    picture_of,
)
from tests.services.pictures import encoded, halves

TREE = shipped_rule_set().tree
SCRIPT = b"<script>alert(1)</script>"


def read_back(picture):
    assert isinstance(picture, Picture), picture
    image = Image.open(BytesIO(picture.jpeg))
    image.load()
    assert (image.format, image.mode, image.size) == (
        "JPEG",
        "RGB",
        (picture.width, picture.height),
    )
    return image


def is_red(pixel):
    return pixel[0] > 150 and pixel[2] < 90


def with_exif(orientation=1):
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Orientation] = "Invented camera", orientation
    exif.get_ifd(IFD.GPSInfo).update(
        {GPS.GPSLatitudeRef: "N", GPS.GPSLatitude: (41.0, 52.0, 55.0),
         GPS.GPSLongitudeRef: "W", GPS.GPSLongitude: (87.0, 37.0, 40.0)}
    )  # fmt: skip
    return exif.tobytes()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_where_and_with_what_it_was_taken_is_gone(kind):
    sent = encoded(kind=kind, exif=with_exif())
    before = Image.open(BytesIO(sent)).getexif()
    assert before[Base.Make] == "Invented camera"
    assert before.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] == (41.0, 52.0, 55.0)
    kept = read_back(picture_of(sent))
    assert dict(kept.getexif()) == {}
    assert kept.getexif().get_ifd(IFD.GPSInfo) == {}
    assert kept.info.keys() <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"Invented camera" not in picture_of(sent).jpeg


# CIPA DC-008, 4.6.4 A: 1 as it is, 3 upside down, 6 and 8 on a side; where the red half comes to lie.
@pytest.mark.parametrize(
    ("orientation", "size", "red_at"),
    [(1, (40, 20), (2, 10)), (3, (40, 20), (37, 10)), (6, (20, 40), (10, 2)), (8, (20, 40), (10, 37))],
)  # fmt: skip
def test_it_is_turned_upright(orientation, size, red_at):
    kept = read_back(picture_of(encoded(exif=with_exif(orientation), quality=95)))
    assert kept.size == size
    assert is_red(kept.getpixel(red_at))


@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_comments_profiles_and_what_stands_behind_are_gone(mode):
    sent = encoded(halves(mode=mode), comment=SCRIPT, icc_profile=b"invented profile " * 20)
    polyglot = sent + b"\n" + SCRIPT + b"PK\x03\x04 an archive behind it"
    assert SCRIPT in sent
    picture = picture_of(polyglot)
    for word in (b"<script", b"invented profile", b"PK\x03\x04"):
        assert word not in picture.jpeg
    # ITU-T T.81, B.1.1.3: begins with SOI, ends with EOI, and nothing comes after.
    assert picture.jpeg.startswith(b"\xff\xd8\xff")
    assert picture.jpeg.endswith(b"\xff\xd9")
    read_back(picture)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "svg"),
        (b'<?xml version="1.0"?>\n<svg><script>1</script></svg>', "svg"),
        (b"\xef\xbb\xbf  <!DOCTYPE html><html><script>1</script>", "html"),
        (SCRIPT, "script"),
        (b"#!/bin/sh\necho", "script"),
        (b"<?xml version='1.0'?><feed/>", "xml"),
        (b"%PDF-1.7\n", "pdf"),
        (encoded(kind="GIF"), "gif"),
        (encoded(kind="TIFF"), "tiff"),
        (encoded(kind="BMP"), "bmp"),
        (b"\x00\x00\x00\x18ftypheic", "heic_or_film"),
        (b"PK\x03\x04", "archive"),
        (b"MZ\x90", "program"),
        (b"", "unknown"),
        (b"alert(1)", "unknown"),
    ],
)
def test_what_is_no_photograph_is_named_and_refused(content, found):
    assert format_of(content) == found
    assert picture_of(content) is Fault.OTHER_FORMAT


def test_a_script_that_calls_itself_a_jpeg_by_its_first_bytes_is_damaged():
    assert picture_of(b"\xff\xd8\xff\xe0" + SCRIPT * 40) is Fault.DAMAGED
    assert picture_of(b"\x89PNG\r\n\x1a\n" + SCRIPT * 40) is Fault.DAMAGED
    assert picture_of(b"RIFF\x00\x10\x00\x00WEBP" + SCRIPT * 40) is Fault.DAMAGED


def claiming(kind, side):
    """A small file whose header claims so many pixels a side."""
    if kind == "JPEG":  # T.81, B.2.2: SOF0, length, precision, lines, samples per line
        content = bytearray(encoded())
        place = content.index(b"\xff\xc0")
        content[place + 5 : place + 9] = struct.pack(">HH", side, side)
        return bytes(content)
    if kind == "PNG":  # RFC 2083, 4.1.1: IHDR
        header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        chunk = struct.pack(">I", 13) + b"IHDR" + header
        chunk += struct.pack(">I", zlib.crc32(b"IHDR" + header))
        return b"\x89PNG\r\n\x1a\n" + chunk + encoded(kind="PNG")[33:]
    content = encoded(halves(mode="RGBA"), "WEBP", exif=with_exif())
    assert content[12:16] == b"VP8X"  # RFC 9649, 2.7: canvas width and height minus one
    return content[:24] + 2 * (side - 1).to_bytes(3, "little") + content[30:]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_bomb_is_refused_by_what_its_header_claims(kind, monkeypatch):
    # The header says 50,000 x 50,000: 7.5 GB when decoded. Nothing may begin with that.
    bomb = claiming(kind, 50_000)
    assert len(bomb) < 2000

    def decodes(*_):
        raise AssertionError("decoded")

    monkeypatch.setattr(ImageFile.ImageFile, "load", decodes)
    assert picture_of(bomb) is Fault.TOO_MANY_PIXELS
    # As seen from here, a decoder that is called is one that fails.
    assert picture_of(encoded(kind=kind)) is Fault.DAMAGED


def test_a_png_of_one_colour_just_within_and_just_over_the_pixels():
    side = int(MOST_PIXELS**0.5)
    within = encoded(Image.new("1", (side, side)), "PNG")
    assert read_back(picture_of(within)).size == (LONGEST_SIDE, LONGEST_SIDE)
    assert picture_of(encoded(Image.new("1", (side + 1, side + 1)), "PNG")) is Fault.TOO_MANY_PIXELS


def test_a_jpeg_of_very_many_scans_is_not_decoded():
    # T.81, B.2.3: a scan begins with SOS; a few bytes each, and each draws the whole picture again.
    progressive = encoded(halves(2000, 2000), progressive=True)
    scan = progressive[progressive.rindex(b"\xff\xda") : -2]
    assert progressive.count(b"\xff\xda") <= MOST_SCANS // 2
    read_back(picture_of(progressive))
    assert picture_of(progressive[:-2] + scan * 3000 + b"\xff\xd9") is Fault.TOO_MANY_SCANS


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_half_a_picture_is_damaged(kind):
    noise = Image.frombytes("RGB", (60, 60), random.Random(7).randbytes(60 * 60 * 3))
    whole = encoded(noise, kind)
    read_back(picture_of(whole))
    for part in (0.95, 0.5, 0.1):
        assert picture_of(whole[: int(len(whole) * part)]) is Fault.DAMAGED


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_what_moves_is_refused(kind):
    frames = [halves(), halves().rotate(180)]
    moving = encoded(frames[0], kind, save_all=True, append_images=frames[1:])
    assert len(list(ImageSequence.Iterator(Image.open(BytesIO(moving))))) == 2
    assert picture_of(moving) is Fault.ANIMATED


def test_the_largest_file_and_one_byte_more():
    sent = encoded()
    read_back(picture_of(sent + b"\x00" * (MOST_BYTES - len(sent))))
    assert picture_of(sent + b"\x00" * (MOST_BYTES - len(sent) + 1)) is Fault.TOO_LARGE


def test_a_long_picture_is_made_smaller_and_keeps_its_shape():
    kept = read_back(picture_of(encoded(halves(5120, 1280))))
    assert kept.size == (LONGEST_SIDE, 640)
    assert is_red(kept.getpixel((10, 320)))
    assert read_back(picture_of(encoded(halves(30, 10)))).size == (30, 10)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_every_colouring_of_a_png_comes_out_as_it_looked(mode):
    sent = encoded(halves(mode=mode), "PNG")
    # The mean of the left half: a palette and black-and-white show colours by dots.
    expected, kept = (
        tuple(ImageStat.Stat(image.convert("RGB").crop((0, 0, 16, 20))).mean)
        for image in (Image.open(BytesIO(sent)), read_back(picture_of(sent)))
    )
    assert all(abs(a - b) < 16 for a, b in zip(expected, kept, strict=True))


def test_what_is_transparent_is_white_and_what_cannot_be_shown_truly_is_refused():
    clear = encoded(Image.new("RGBA", (9, 9), (200, 0, 0, 0)), "PNG")
    assert min(read_back(picture_of(clear)).getpixel((4, 4))) > 250
    assert picture_of(encoded(Image.new("I;16", (9, 9)), "PNG")) is Fault.COLOURS


SEEDS = [encoded(kind=kind, exif=with_exif()) for kind in ("JPEG", "PNG", "WEBP")]


@settings(max_examples=150)
@given(
    st.sampled_from(SEEDS),
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), max_size=8),
)
def test_a_file_with_any_bytes_changed_gives_a_picture_or_a_fault(seed, changes):
    content = bytearray(seed)
    for place, value in changes:
        content[place % len(content)] = value
    found = picture_of(bytes(content))
    assert isinstance(found, Fault) or read_back(found)


def test_of_whom_and_what_a_picture_is_taken():
    def shown(area, years):
        return may_show(area, years, TREE.touching.get(area, ()))

    for area in ("bikini", "intimate", "buttocks", "chest", "body"):
        assert [shown(area, years) for years in (None, 17, 18)] == [False, False, True]
    for area in ("brow", "face", "leg", "abdomen"):
        assert [shown(area, years) for years in (None, 17, 18)] == [True, True, True]
    assert [needs_area(years) for years in (None, 17, 18)] == [True, True, False]
    assert (shown(None, None), shown(None, 17), shown(None, 18)) == (False, False, True)


def test_a_minor_needs_the_guardians_consent_as_well():
    own, both = {"photographs": True}, {"photographs": True, "guardian_service": True}
    assert [is_agreed(own, years) for years in (None, 17, 18)] == [True, False, True]
    assert is_agreed(both, 17)
    assert not is_agreed({"guardian_service": True}, 17)
    assert not is_agreed({"photographs": False, "guardian_service": True}, 30)
    assert not is_agreed({}, 30)
