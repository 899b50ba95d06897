"""Clients from a spreadsheet: names, contact, what is kept as told, and who is the same person."""

from datetime import date

import pytest

from services.imports.client_files import client_keys
from services.imports.rows import ReadRow
from tests.imports.files import BERLIN, clients, codes, only


def one(folder, header: str, row: str, **options):
    return only(clients(folder, f"{header}\n{row}\n", **options)[1])


@pytest.mark.parametrize(
    ("header", "row", "expected"),
    [
        ("name", "Ana Quillamoor", ("Ana Quillamoor", "", "")),
        ("name;email", "Quillamoor, Ana;", ("Ana Quillamoor", "Ana", "Quillamoor")),
        ("first name,last name", "Ana,Quillamoor", ("Ana Quillamoor", "Ana", "Quillamoor")),
        ("first name", "Ana", ("Ana", "Ana", "")),
        ("last name,first name", "Quillamoor,", ("Quillamoor", "", "Quillamoor")),
        # "Name" beside a first name is the surname in German files, unless it holds both.
        ("Name;Vorname", "Quillamoor;Ana", ("Ana Quillamoor", "Ana", "Quillamoor")),
        ("Name;Vorname", "Ana Quillamoor;Ana", ("Ana", "Ana", "")),
        (
            "name,first name,last name",
            "A. Q.,Ana,Quillamoor",
            ("Ana Quillamoor", "Ana", "Quillamoor"),
        ),
        ("name", "  ANA   QUILLAMOOR ", ("Ana Quillamoor", "", "")),
        ("name", "\u202dAna\u202c\u00a0Quillamoor", ("Ana Quillamoor", "", "")),
    ],
)
def test_names_in_the_ways_they_come(tmp_path, header, row, expected):
    found = one(tmp_path, header, row)
    assert (found.name, found.first_name, found.last_name) == expected


def test_a_name_in_capitals_is_put_right_and_the_row_says_so(tmp_path):
    _, rows = clients(tmp_path, "name\nANA QUILLAMOOR\nBea Voskowane\n")
    assert [r.value.name for r in rows] == ["Ana Quillamoor", "Bea Voskowane"]
    assert [len(r.notes) for r in rows] == [1, 0]
    assert rows[0].notes[0].startswith("name-case")


def test_a_row_without_a_name_is_an_error(tmp_path):
    _, rows = clients(tmp_path, "first name,last name,phone\n,,312-555-0101\n")
    assert codes(rows) == ["empty"]


def test_a_mobile_number_comes_before_another_and_nothing_is_lost(tmp_path):
    _, rows = clients(
        tmp_path,
        "name,phone,mobile,notes\nAna Q,312-555-0101,773-555-0102,tea\nBea Q,312-555-0103,,\n",
    )
    assert [r.value.phone for r in rows] == ["+17735550102", "+13125550103"]
    assert rows[0].value.notes == "tea\nOther phone: +13125550101"
    assert rows[0].notes[0].startswith("phone-second")


def test_the_locations_country_decides_what_a_national_number_is(tmp_path):
    found = one(tmp_path, "Name;Telefon", "Ana Q;030 23125 001", place=BERLIN)
    assert found.phone == "+493023125001"


def test_a_client_without_phone_or_address_is_taken(tmp_path):
    found = one(tmp_path, "name,phone,email", "Ana Q,,")
    assert (found.phone, found.email) == ("", "")


def test_allergies_and_notes_stay_word_for_word(tmp_path):
    found = one(tmp_path, "name,allergies,notes", 'Ana Q,"none known, but ""hay fever"" ?","a\nb"')
    assert found.allergies == 'none known, but "hay fever" ?'
    assert found.notes == "a\nb"


def test_zone_language_and_birth_date(tmp_path):
    found = one(tmp_path, "name,time zone,language,d.o.b.", "Ana Q,america/denver,Spanish,17/05/90")
    assert (found.zone, found.language, found.birth_date) == (
        "America/Denver",
        "es",
        date(1990, 5, 17),
    )


def test_every_error_of_a_row_is_reported_at_once_with_row_column_code_and_advice(tmp_path):
    text = "name,Cell,E-mail,Born,Zone,Language\nAna Q,555-0101,ana@,30.02.1990,EST,mixed\n"
    _, rows = clients(tmp_path, text)
    assert [(e.row, e.column, e.code) for e in rows[0].errors] == [
        (2, "Cell", "phone-area-code"),
        (2, "E-mail", "email-invalid"),
        (2, "Born", "date-impossible"),
        (2, "Zone", "zone-unknown"),
        (2, "Language", "language-unknown"),
    ]
    assert str(rows[0].errors[0]) == (
        "Row 2, Cell: '555-0101' has no area code. Add it, or empty the cell. [phone-area-code]"
    )


def test_a_very_long_cell_is_an_error_and_shown_short(tmp_path):
    _, rows = clients(tmp_path, f"name,notes,email\nAna Q,{'x' * 2000},{'y' * 2000}\n")
    assert codes(rows) == ["email-invalid", "too-long"]
    assert len(rows[0].errors[0].message) < 120
    _, rows = clients(tmp_path, f"name,notes\nAna Q,{'x' * 2000}\n")
    assert codes(rows) == ["too-long"]


SAME = [
    ("name,phone", "Ana Q,312-555-0101", "ANA Q,(312) 555 0101"),
    ("name,email", "Ana Q,ana@example.com", "Aná Q,ANA@Example.com"),
    ("name,born", "Ana Q,1990-05-17", "Ana Q,17 May 1990"),
    ("name,born", "Ana Q,", "ana q,"),
    ("id,name,phone", "7,Ana Q,312-555-0101", "7,Bea R,312-555-0102"),
    ("name,phone,email", "Ana Q,312-555-0101,a@example.com", "Ana Q,312-555-0101,b@example.com"),
]
DIFFERENT = [
    ("name,phone", "Ana Q,312-555-0101", "Bea Q,312-555-0101"),
    ("name,email", "Ana Q,home@example.com", "Bea Q,home@example.com"),
    ("name,born", "Ana Q,1990-05-17", "Ana Q,1990-05-18"),
    ("name,phone", "Ana Q,312-555-0101", "Ana Q,"),
    ("id,name,born", "7,Ana Q,1990-05-17", "8,Ana Q,1991-05-17"),
]


@pytest.mark.parametrize(("header", "first", "second"), SAME)
def test_the_same_person_twice_is_an_error_that_names_the_first_row(
    tmp_path, header, first, second
):
    _, rows = clients(tmp_path, f"{header}\n{first}\n{second}\n")
    assert codes(rows) == ["row-repeated"]
    assert "row 2" in rows[1].errors[0].message


@pytest.mark.parametrize(("header", "first", "second"), DIFFERENT)
def test_people_who_share_something_stay_two(tmp_path, header, first, second):
    _, rows = clients(tmp_path, f"{header}\n{first}\n{second}\n")
    assert codes(rows) == []


def test_a_bad_row_does_not_stand_in_the_way_of_its_corrected_copy(tmp_path):
    text = "name,phone,born\nAna Q,312-555-0101,1990-02-30\nAna Q,312-555-0101,1990-02-28\n"
    _, rows = clients(tmp_path, text)
    assert codes(rows) == ["date-impossible"]
    assert rows[1].value.birth_date == date(1990, 2, 28)


def test_keys_are_the_same_in_the_next_file_and_those_of_another_book_are_not(tmp_path):
    header, row = "No,name,phone", "12,Ana Q,312-555-0101"
    first = one(tmp_path, header, row, source="lakeside")
    again = one(tmp_path, header, row, source="lakeside")
    other = one(tmp_path, header, "12,Bea R,312-555-0102", source="harborside")
    assert first.keys == again.keys
    assert not set(first.keys) & set(other.keys)
    assert set(client_keys(name="ANA Q", phone="+13125550101")) <= set(first.keys)


def test_a_row_has_a_value_exactly_when_it_has_no_errors(tmp_path):
    _, rows = clients(tmp_path, "name,email\nAna Q,x\nBea Q,\nCal Q,\nCal Q,\n")
    assert all(isinstance(row, ReadRow) and (row.value is None) == bool(row.errors) for row in rows)
    assert codes(rows) == ["email-invalid", "row-repeated"]
