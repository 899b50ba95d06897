"""Which client, services, practitioner and room a calendar entry means."""

import pytest

from services.imports.directory import pieces
from tests.imports.files import (
    ANA,
    BEA,
    BEA_TOO,
    BROW_WAX,
    CAL,
    FERN,
    HERON,
    HOUR,
    IMRE,
    LIP_WAX,
    ODA,
    TINT,
    WAX_AND_TINT,
    calendar,
    codes,
    event,
    only,
    visits,
)  # fmt: skip

CLIENT = "ATTENDEE;CN=Ana Quillamoor:mailto:ana@example.com"
TEAM = "ORGANIZER;CN=Oda:mailto:oda@spa.example"
ROOM = "LOCATION:Fern Room"
SERVICE = "CATEGORIES:Brow wax"


def read(folder, *lines: str, **options):
    return visits(folder, calendar(event(*HOUR, *lines)), **options)[1]


def ids(folder, *lines: str, **options):
    found = only(read(folder, *lines, **options))
    return found.client_id, found.service_ids, found.practitioner_id, found.room_id


@pytest.mark.parametrize(
    "lines",
    [
        (CLIENT, TEAM, ROOM, SERVICE),
        ("SUMMARY:Brow wax - Ana Quillamoor", TEAM, ROOM),
        ("SUMMARY:ANA QUILLAMOOR: brow wax (oda quillisk)", "RESOURCES:Fern Room"),
        ("SUMMARY:Brow wax with Oda Quillisk for Quillamoor\\, Ana", ROOM),
        ("SUMMARY:Ana Quillamoor", SERVICE, "ATTENDEE:MAILTO:Oda@Spa.example", "LOCATION:Lakeside\\, fern room"),
        ("ATTENDEE:tel:+1-312-555-0101", "ATTENDEE;CN=Oda Quillisk:urn:x",
         "ATTENDEE;CUTYPE=ROOM;CN=Fern Room:mailto:fern@spa.example", SERVICE),
        ("ATTENDEE:tel:(312) 555-0101", TEAM, "RESOURCES:Lamp,Fern Room", SERVICE),
        (CLIENT, "RESOURCES:Oda Quillisk,Fern Room", SERVICE),
        (CLIENT, TEAM, "SUMMARY:Brow wax | Fern Room"),
    ],
)  # fmt: skip
def test_the_same_visit_in_the_ways_calendars_have_it(tmp_path, lines):
    assert ids(tmp_path, *lines) == (ANA, (BROW_WAX,), ODA, FERN)


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (("SUMMARY:Brow wax + Lip wax",), (BROW_WAX, LIP_WAX)),
        (("SUMMARY:Lip wax, brow wax and tint",), (LIP_WAX, WAX_AND_TINT)),
        (("SUMMARY:Brow wax & tint",), (WAX_AND_TINT,)),
        (("SUMMARY:Tint & brow wax",), (TINT, BROW_WAX)),
        (("CATEGORIES:Brow wax,Lip wax",), (BROW_WAX, LIP_WAX)),
        (("CATEGORIES:Brow wax", "CATEGORIES:Tint"), (BROW_WAX, TINT)),
        (("CATEGORIES:Lip wax", "SUMMARY:Lip wax"), (LIP_WAX,)),
        (("CATEGORIES:VIP,Blue", "SUMMARY:Lip wax"), (LIP_WAX,)),
    ],
)
def test_several_services_in_order_and_the_longest_name_wins(tmp_path, lines, found):
    assert ids(tmp_path, CLIENT, TEAM, ROOM, *lines)[1] == found


@pytest.mark.parametrize(
    ("lines", "column", "code"),
    [
        (("SUMMARY:Eyebrow shape", CLIENT, TEAM, ROOM), "SUMMARY", "service-missing"),
        # One service of a list must not get lost.
        (("SUMMARY:Brow wax + Cheek wax", CLIENT, TEAM, ROOM), "SUMMARY", "service-unknown"),
        (("SUMMARY:Cheek wax + Brow wax", CLIENT, TEAM, ROOM), "SUMMARY", "service-unknown"),
        (("CATEGORIES:Brow wax,Cheek wax", CLIENT, TEAM, ROOM), "CATEGORIES", "service-unknown"),
        ((SERVICE, "SUMMARY:Lip wax", CLIENT, TEAM, ROOM), "CATEGORIES", "services-disagree"),
        ((CLIENT, TEAM, ROOM), "CATEGORIES", "service-missing"),
        ((SERVICE, "SUMMARY:Dee Nobody", TEAM, ROOM), "SUMMARY", "client-missing"),
        ((SERVICE, "ATTENDEE;CN=Dee:mailto:dee@example.com", TEAM, ROOM), "ATTENDEE", "client-missing"),
        ((SERVICE, "SUMMARY:Bea Voskowane", TEAM, ROOM), "SUMMARY", "client-unclear"),
        ((SERVICE, "ATTENDEE:mailto:home@example.com", TEAM, ROOM), "ATTENDEE", "client-unclear"),
        ((SERVICE, CLIENT, "ATTENDEE;CN=Cal Voskowane:urn:x", TEAM, ROOM), "ATTENDEE", "client-several"),
        ((SERVICE, CLIENT, ROOM), "ORGANIZER", "practitioner-missing"),
        ((SERVICE, CLIENT, "ORGANIZER;CN=Una:mailto:una@spa.example", ROOM), "ORGANIZER", "practitioner-missing"),
        ((SERVICE, CLIENT, ROOM, "RESOURCES:Oda Quillisk,Imre Gossackle"), "ORGANIZER", "practitioner-several"),
        ((SERVICE, CLIENT, TEAM), "LOCATION", "room-missing"),
        ((SERVICE, CLIENT, TEAM, "LOCATION:Cellar"), "LOCATION", "room-missing"),
        ((SERVICE, CLIENT, TEAM, "LOCATION:Fern Room / Heron Room"), "LOCATION", "room-several"),
        ((SERVICE, CLIENT, TEAM, ROOM, "DESCRIPTION:" + "x" * 2000), "DESCRIPTION", "too-long"),
    ],
)  # fmt: skip
def test_what_cannot_be_matched_is_an_error_that_says_what_to_do(tmp_path, lines, column, code):
    (row,) = read(tmp_path, *lines)
    assert [(e.column, e.code) for e in row.errors] == [(column, code)]
    assert row.value is None
    assert any(w in row.errors[0].message for w in ("Add", "add", "Keep", "Put", "Make", "Shorten"))


def test_all_that_is_missing_is_reported_at_once(tmp_path):
    rows = read(tmp_path, "SUMMARY:lunch")
    assert codes(rows) == [
        "service-missing",
        "room-missing",
        "practitioner-missing",
        "client-missing",
    ]


def test_close_names_are_named_and_never_taken(tmp_path):
    (row,) = read(tmp_path, CLIENT, TEAM, ROOM, "SUMMARY:Brow waxx")
    assert "Close to it: brow wax" in row.errors[0].message


def test_a_family_address_is_told_apart_by_the_name(tmp_path):
    for name, who in (("Bea Voskowane", BEA), ("Cal Voskowane", CAL)):
        attendee = f"ATTENDEE;CN={name}:mailto:home@example.com"
        assert ids(tmp_path, attendee, TEAM, ROOM, SERVICE)[0] == who
    assert ids(tmp_path, "ATTENDEE:mailto:bea@example.org", TEAM, ROOM, SERVICE)[0] == BEA_TOO


def test_an_address_says_more_than_a_name(tmp_path):
    who = 'ATTENDEE;CN="Cal Voskowane":mailto:ana@example.com'
    assert ids(tmp_path, who, TEAM, ROOM, SERVICE)[0] == ANA


def test_an_attending_practitioner_comes_before_one_in_the_resources(tmp_path):
    who = ("ATTENDEE:mailto:imre@spa.example", "RESOURCES:Oda Quillisk")
    assert ids(tmp_path, CLIENT, *who, ROOM, SERVICE)[2] == IMRE


def test_an_attending_practitioner_comes_before_the_organizer(tmp_path):
    who = ("ATTENDEE;CN=Imre:mailto:imre@spa.example", TEAM)
    assert ids(tmp_path, CLIENT, *who, ROOM, SERVICE)[2] == IMRE


def test_a_room_attendee_comes_before_free_text(tmp_path):
    room = "ATTENDEE;CUTYPE=ROOM;CN=Heron Room:urn:x"
    assert ids(tmp_path, CLIENT, TEAM, room, SERVICE, "SUMMARY:was in Fern Room")[3] == HERON


def test_labels_can_be_told_to_be_labels(tmp_path):
    lines = ("CATEGORIES:Brow wax,VIP", CLIENT, TEAM, ROOM)
    assert codes(read(tmp_path, *lines)) == ["service-unknown"]
    assert ids(tmp_path, *lines, ignored_words=["vip"])[1] == (BROW_WAX,)


def test_words_left_over_are_remarked(tmp_path):
    (row,) = read(tmp_path, "SUMMARY:Brow wax - Ana Quillamoor (paid deposit)", TEAM, ROOM)
    assert row.notes == ("not-used: 'paid deposit' in SUMMARY.",)


def test_the_description_becomes_the_notes(tmp_path):
    found = only(read(tmp_path, CLIENT, TEAM, ROOM, SERVICE, "DESCRIPTION:rings twice\\nno music"))
    assert found.notes == "rings twice\nno music"


def test_pieces_keep_hyphenated_names_whole():
    assert [p.text for p in pieces("Brow wax - Ana Quilla-Moor / Lip wax")] == [
        "Brow wax", "Ana Quilla-Moor", "Lip wax",
    ]  # fmt: skip
