"""Spreadsheets as they come: separators, quotation marks, headers, empty and ragged rows."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from services.imports import headers, tables
from services.imports.cells import clean
from services.imports.rows import FileRefused
from tests.imports.files import clients, codes, only, write


def refusal(folder, content, **options) -> FileRefused:
    with pytest.raises(FileRefused) as refused:
        clients(folder, content, **options)
    return refused.value


@pytest.mark.parametrize(
    ("mark", "word"), [(",", "commas"), (";", "semicolons"), ("\t", "tabs"), ("|", "bars")]
)
def test_the_separator_is_found_and_said(tmp_path, mark, word):
    text = f"name{mark}email{mark}notes\nAna Q{mark}ana@example.com{mark}a, b; c\n"
    sheet, rows = clients(tmp_path, text if mark != "," else text.replace("a, b; c", "x"))
    if mark == ";":
        assert codes(rows) == ["row-too-long"]
    else:
        assert only(rows).email == "ana@example.com"
    assert any(word in sentence for sentence in sheet.report.decisions)


def test_a_first_line_that_states_the_separator_is_taken_at_its_word(tmp_path):
    sheet, rows = clients(tmp_path, "sep=;\nname;email\nAna Q;ana@example.com\n")
    assert only(rows).name == "Ana Q"
    assert rows[0].number == 3
    assert "semicolons" in " ".join(sheet.report.decisions)


def test_titles_above_the_header_are_passed_over_and_said(tmp_path):
    sheet, rows = clients(tmp_path, "Our clients,,\n\nname,email,phone\nAna Q,,\n")
    assert (only(rows).name, rows[0].number) == ("Ana Q", 4)
    assert "The header is row 3" in " ".join(sheet.report.decisions)


def test_line_breaks_in_quotes_count_as_one_row_but_as_many_lines(tmp_path):
    _, rows = clients(tmp_path, 'name,notes\nAna Q,"one\r\ntwo\nthree"\nBea Q,x\n')
    assert [(r.number, r.line) for r in rows] == [(2, 2), (3, 5)]
    assert rows[0].value.notes == "one\ntwo\nthree"


def test_old_line_ends_are_read_too(tmp_path):
    _, rows = clients(tmp_path, b"name,notes\rAna Q,x\rBea Q,y\r")
    assert [r.value.name for r in rows] == ["Ana Q", "Bea Q"]


def test_empty_rows_are_no_rows_and_keep_the_count(tmp_path):
    sheet, rows = clients(tmp_path, "name,email\n\nAna Q,\n,\n  , \nBea Q,\n\n")
    assert [r.number for r in rows] == [3, 6]
    assert sheet.report.rows == 2


def test_a_header_repeated_in_the_middle_is_no_client(tmp_path):
    _, rows = clients(tmp_path, "name,email\nAna Q,\nname,email\nBea Q,\n")
    assert [r.value.name for r in rows] == ["Ana Q", "Bea Q"]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("Ana Q,ana@example.com,a note, with a comma", "row-too-long"),
        ("Ana Q", "row-too-short"),
        ("Ana\x00 Q,,", "control-character"),
        ("Ana Q,,bell\x07", "control-character"),
        ('Ana "the cat" Q,"5" strips",', "quote-stray"),
    ],
)
def test_a_row_that_cannot_be_taken_apart_is_one_error_and_the_next_is_fine(tmp_path, row, code):
    _, rows = clients(tmp_path, f"name,email,notes\n{row}\nBea Q,,fine\n")
    assert codes(rows) == [code]
    assert rows[0].errors[0].row == rows[0].number == 2
    assert rows[0].value is None
    assert rows[-1].value.name == "Bea Q"


def test_empty_cells_too_many_are_no_fault(tmp_path):
    _, rows = clients(tmp_path, "name,email\nAna Q,ana@example.com,,,\n")
    assert only(rows).name == "Ana Q"


def test_nul_bytes_are_named_with_their_column(tmp_path):
    _, rows = clients(tmp_path, "name,E-mail\nAna Q,a\x00na@example.com\n")
    (error,) = rows[0].errors
    assert (error.column, error.message) == (
        "E-mail",
        "The cell holds a NUL byte. Enter its text again.",
    )


def test_a_stray_quotation_mark_says_which_lines_it_swallowed(tmp_path):
    text = 'name,notes\nAna Q,"5 strips\nBea Q,x\nCal Q,"y"\nDee Q,z\n'
    _, rows = clients(tmp_path, text)
    assert codes(rows) == ["quote-stray"]
    assert "lines 2 to 4" in rows[0].errors[0].message
    assert rows[-1].value.name == "Dee Q"


def test_a_quotation_mark_that_is_never_closed_refuses_the_file(tmp_path):
    text = 'name,notes\nAna Q,x\nBea Q,"open\n' + "Cal Q,y\n" * 20_000
    refused = refusal(tmp_path, text)
    assert (refused.code, "line 3" in str(refused)) == ("quote-open", True)
    assert refusal(tmp_path, 'name,notes\nAna Q,"open\nCal Q,y\n').code == "quote-open"


def test_missing_columns_are_named_with_what_is_there(tmp_path):
    refused = refusal(tmp_path, "E-mail,Mobile\nana@example.com,1\n")
    assert refused.code == "column-missing"
    for word in ("first_name", "last_name", "E-mail", "Mobile"):
        assert word in str(refused)


def test_a_file_without_a_header_says_so(tmp_path):
    refused = refusal(tmp_path, "Ana Q,312-555-0101\nBea Q,312-555-0102\n")
    assert (refused.code, "'Ana Q'" in str(refused)) == ("header-missing", True)


def test_one_column_twice_is_refused(tmp_path):
    refused = refusal(tmp_path, "name,E-mail,Email address\nAna Q,a@example.com,b@example.com\n")
    assert refused.code == "header-twice"
    assert "Columns 2 (E-mail) and 3 (Email address)" in str(refused)


def test_extra_and_absent_columns_are_reported(tmp_path):
    sheet, _ = clients(tmp_path, "Full name,Shoe size,,E-mail\nAna Q,38,?,\n")
    assert sheet.report.ignored_columns == ("Shoe size", "column 3 (without a name)")
    assert {"phone", "birth_date"} <= set(sheet.report.absent_columns)
    assert dict(sheet.report.columns) == {"name": "Full name", "email": "E-mail"}
    assert any("Shoe size" in line for line in sheet.report.sentences())


def test_consent_is_never_read_and_the_report_says_why(tmp_path):
    sheet, _ = clients(tmp_path, "name,Newsletter,SMS consent\nAna Q,yes,yes\n")
    said = [s for s in sheet.report.decisions if "consented to no message" in s]
    assert len(said) == 2


@pytest.mark.parametrize(
    "header",
    [
        "First Name,Last Name,Mobile,E-mail,Date of Birth,Notes",
        "Vorname;Nachname;Handy;E-Mail-Adresse;Geburtsdatum;Bemerkungen",
        "Nombre;Apellidos;Móvil;Correo electrónico;Fecha de nacimiento;Observaciones",
        "Prénom;Nom;Portable;Courriel;Date de naissance;Remarques",
        "FIRST_NAME\tsurname:\tCell phone\temail *\tD.O.B.\tcomments",
    ],
)
def test_headers_in_four_languages_mean_the_same(tmp_path, header):
    mark = next(m for m in ";\t," if m in header)
    row = mark.join(["Ana", "Quillamoor", "(312) 555-0101", "ana@example.com", "1990-05-17", "x"])
    _, rows = clients(tmp_path, f"{header}\n{row}\n")
    found = only(rows)
    assert (found.first_name, found.last_name, found.notes) == ("Ana", "Quillamoor", "x")
    assert (found.phone, found.birth_date.isoformat()) == ("+13125550101", "1990-05-17")


@pytest.mark.parametrize("layout", [headers.CLIENTS, headers.SERVICES])
def test_no_header_word_names_two_columns_and_each_is_in_folded_form(layout):
    words = [word for words in layout.words.values() for word in words]
    words += [word for words in layout.left_out.values() for word in words]
    assert len(words) == len(set(words))
    assert words == [headers.fold(word) for word in words]


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", "file-empty"), ("name,email\n", "no-rows"), ("\ufeff\n\n", "header-missing")],
)
def test_a_file_with_nothing_in_it_is_refused(tmp_path, content, code):
    assert refusal(tmp_path, content).code == code


def test_a_file_that_is_not_there_or_no_file_is_refused(tmp_path):
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(FileRefused) as refused:
            tables.survey(path, headers.CLIENTS)
        assert refused.value.code == "file-unreadable"


def test_a_file_changed_after_the_survey_is_refused(tmp_path):
    sheet, _ = clients(tmp_path, "name\nAna Q\n")
    write(tmp_path, "name\nSomebody Else\n")
    with pytest.raises(FileRefused) as refused:
        list(sheet.rows())
    assert refused.value.code == "file-changed"


def test_the_same_file_has_the_same_digest_and_another_has_not(tmp_path):
    first, _ = clients(tmp_path, "name\nAna Q\n")
    again, _ = clients(tmp_path, "name\nAna Q\n")
    other, _ = clients(tmp_path, "name\nAna R\n")
    assert first.report.sha256 == again.report.sha256 != other.report.sha256


def test_reading_goes_on_after_any_row_with_the_same_rows(tmp_path):
    text = "name,email\nAna Q,\nBea Q,bad\n\nAna Q,\nCal Q,\n"
    sheet, rows = clients(tmp_path, text)
    assert codes(rows) == ["email-invalid", "row-repeated"]
    for row in rows:
        assert list(sheet.rows(after=row.number)) == [r for r in rows if r.number > row.number]


# What csv.writer and the cells' tidying leave alone: no control characters, no odd spaces.
plain = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Zs", "Zl", "Zp"])
)


@given(
    st.lists(st.tuples(plain, plain), min_size=1, max_size=8),
    st.sampled_from(",;\t|"),
    st.sampled_from(["\r\n", "\n"]),
)
def test_what_the_standard_writer_writes_comes_back(tmp_path_factory, written, mark, end):
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, lineterminator=end)
    writer.writerow(["name", "notes"])
    writer.writerows(written)
    path = write(tmp_path_factory.mktemp("csv"), out.getvalue())
    table = tables.survey(path, headers.CLIENTS)
    back = [tuple(clean(cell) for cell in record.cells) for record in table.records()]
    assert back == [
        (clean(a), clean(b)) for a, b in written if (a or b) and (a, b) != ("name", "notes")
    ]
