"""Dates as people type them, against python-dateutil and the calendar."""

from datetime import date, timedelta

import pytest
from dateutil import parser as dateutil_parser
from hypothesis import given
from hypothesis import strategies as st

from services.imports.dates import OLDEST_YEARS, DateColumn, DateOrder, parse_date
from services.imports.rows import CellError, FileRefused
from tests.imports.files import TODAY, clients, codes

DAY, MONTH = DateOrder.DAY_FIRST, DateOrder.MONTH_FIRST
born = st.dates(date(TODAY.year - OLDEST_YEARS, 1, 1), TODAY)
marks = st.sampled_from([".", "/", "-", " ", ". ", " / "])


def read(text: str, order: DateOrder | None = None) -> date:
    return parse_date(text, order, TODAY)


@given(
    born,
    marks,
    st.booleans(),
    st.sampled_from(["", " 00:00", " 0:00:00", "T00:00:00Z", " 12:00 AM"]),
)
def test_three_numbers_come_back_in_either_order_and_dateutil_agrees(day, mark, padded, tail):
    two = (lambda n: f"{n:02d}") if padded else str
    for order, parts in ((DAY, (day.day, day.month)), (MONTH, (day.month, day.day))):
        text = mark.join([two(parts[0]), two(parts[1]), str(day.year)])
        assert read(text + tail, order) == day
        oracle = dateutil_parser.parse(
            text.replace(" / ", "/").replace(". ", "."), dayfirst=order is DAY
        )
        assert oracle.date() == day


@given(born)
def test_iso_dates_need_no_order(day):
    for text in (
        day.isoformat(),
        f"{day:%Y%m%d}",
        f"{day.year}/{day.month}/{day.day}",
        f"{day} 08:30",
    ):
        assert read(text) == day


NAMES = {
    "en": "January February March April May June July August September October November December",
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "fr": "janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
}
SHAPES = [
    "{d} {m} {y}",
    "{d}. {m} {y}",
    "{m} {d}, {y}",
    "{d} de {m} de {y}",
    "{d}-{m}-{y}",
    "{y} {m} {d}",
]


@given(born, st.sampled_from(sorted(NAMES)), st.sampled_from(SHAPES), st.booleans())
def test_named_months_are_read_in_four_languages(day, language, shape, loud):
    name = NAMES[language].split()[day.month - 1]
    text = shape.format(d=day.day, m=name.upper() if loud else name, y=day.year)
    assert read(text) == day


@pytest.mark.parametrize("text", ["Mar 3, 1990", "3rd March 1990", "3 Mrz. 90", "1990 mar 3"])
def test_short_names_and_ordinals_are_read(text):
    assert read(text) == date(1990, 3, 3)


@given(born)
def test_two_digits_of_a_year_mean_the_latest_one_not_after_today(day):
    found = read(f"{day.day}.{day.month}.{day.year % 100:02d}", DAY)
    assert (found.day, found.month, found.year % 100) == (day.day, day.month, day.year % 100)
    assert found <= TODAY
    assert found.year + 100 >= TODAY.year


def test_two_digits_around_today():
    assert read("4.3.26", DAY) == TODAY
    # Tomorrow in this century is a hundred years ago.
    assert read("5.3.26", DAY) == date(1926, 3, 5)
    assert read("01/02/00", MONTH) == date(2000, 1, 2)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("30.02.1990", "date-impossible"),
        ("00/00/0000", "date-impossible"),
        ("1990-13-01", "date-impossible"),
        ("32/01/1990", "date-impossible"),
        ("05/17/1990", "date-order"),
        ("32874", "date-day-count"),
        ("32874.0", "date-day-count"),
        ("17.05.", "date-without-year"),
        ("17/5", "date-without-year"),
        ("born in May", "date-unreadable"),
        ("1990", "date-unreadable"),
        ("17/05/990", "date-unreadable"),
        ("5 Maybe 1990", "date-unreadable"),
        ("May 1990", "date-unreadable"),
        ("1/2/3/4", "date-unreadable"),
        ("05.03.2026", "date-in-future"),
        ("31.12.1905", "date-too-old"),
        ("01.01.1900", "date-too-old"),
    ],
)
def test_what_is_no_birth_date_says_what_to_do(text, code):
    with pytest.raises(CellError) as wrong:
        read(text, DAY)
    assert wrong.value.code == code
    assert any(word in wrong.value.message for word in ("Write", "Correct", "Format"))


def test_a_leap_day_exists_in_leap_years_only():
    assert read("29.02.2024", DAY) == date(2024, 2, 29)
    with pytest.raises(CellError):
        read("29.02.2023", DAY)


def column(*texts: str) -> DateColumn:
    found = DateColumn("Born")
    for row, text in enumerate(texts, start=2):
        found.add(row, text)
    return found


@pytest.mark.parametrize(
    ("texts", "order"),
    [
        (["03/04/1990", "17/04/1990"], DAY),
        (["03/04/1990", "04/17/1990"], MONTH),
        (["03.04.90", "17.04.90 00:00"], DAY),
        (["1990-04-17", "03/03/1990", "", "17 May 1990", "nonsense"], None),
        ([], None),
    ],
)
def test_a_column_decides_its_order_and_says_how(texts, order):
    found, sentence = column(*texts).decide(None)
    assert found == order
    assert (order.value if order else "one way only") in sentence


def test_the_proof_names_row_and_counts():
    _, sentence = column("03/04/1990", "17/04/1990", "18/04/1990").decide(None)
    assert "2 can only be that (first in row 3), 1 could be either" in sentence


def test_a_column_that_could_be_either_is_refused_until_the_person_says():
    with pytest.raises(FileRefused) as refused:
        column("03/04/1990", "05/06/1991").decide(None)
    assert refused.value.code == "dates-ambiguous"
    assert "--dates day-first" in str(refused.value)
    assert "rows 2, 3" in str(refused.value)
    assert column("03/04/1990").decide(MONTH)[0] is MONTH


def test_a_column_that_is_both_is_refused_and_names_rows_of_each_kind():
    with pytest.raises(FileRefused) as refused:
        column("17/04/1990", "04/17/1990", "04/18/1990").decide(None)
    assert refused.value.code == "dates-contradict"
    assert "(rows 2)" in str(refused.value)
    assert "(rows 3, 4)" in str(refused.value)


@given(st.lists(born, min_size=1, max_size=30), st.sampled_from([DAY, MONTH]))
def test_a_column_is_never_decided_wrongly(days, order):
    form = "%d/%m/%Y" if order is DAY else "%m/%d/%Y"
    found = column(*[day.strftime(form) for day in days])
    try:
        decided, _ = found.decide(None)
    except FileRefused:
        assert all(day.day <= 12 for day in days)
        return
    assert decided in (order, None)
    assert [parse_date(day.strftime(form), decided, TODAY) for day in days] == days


def test_the_whole_file_is_looked_at_before_the_first_row_is_read(tmp_path):
    early = "".join(f"A{n} Q,03/04/19{n}\n" for n in range(40, 99))
    sheet, rows = clients(tmp_path, f"name,born\n{early}Last Q,17/04/1990\n")
    assert rows[0].value.birth_date == date(1940, 4, 3)
    assert any("day-first" in sentence for sentence in sheet.report.decisions)


def test_the_persons_word_turns_the_odd_ones_into_errors(tmp_path):
    text = "name,born\nAna Q,17/04/1990\nBea Q,04/17/1990\nCal Q,03/04/1990\n"
    sheet, rows = clients(tmp_path, text, dates=DAY)
    assert codes(rows) == ["date-order"]
    assert rows[2].value.birth_date == date(1990, 4, 3)
    assert "as you said" in " ".join(sheet.report.decisions)


def test_dates_of_the_whole_range_are_not_after_today_by_a_slip():
    tomorrow = TODAY + timedelta(days=1)
    assert read(TODAY.isoformat()) == TODAY
    with pytest.raises(CellError):
        read(tomorrow.isoformat())
