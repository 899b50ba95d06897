"""Services from a spreadsheet, against the words that screening knows."""

from pathlib import Path

import pytest
import yaml

from services.imports.price_lists import EVERYDAY_WORDS, Words
from services.imports.rows import FileRefused
from tests.imports.files import BERLIN, WORDS, codes, only, services

HEADER = "Service,Area,Method,Duration,Price"


def one(folder, row: str, header: str = HEADER, **options):
    return only(services(folder, f"{header}\n{row}\n", **options)[1])


def test_a_whole_row(tmp_path):
    found = one(
        tmp_path,
        'Brow wax,Brows,Soft Wax,0:15,$24.00,5,5 min,5,10,4 weeks,"Wax heater; sink",Brow kit,waxing,B1',
        f"{HEADER},Set-up (min),Consultation,Aftercare,Clean-up,Rebook weeks,Room needs,Kit,Skill,Code",
    )
    assert (found.name, found.area, found.method) == ("Brow wax", "brow", "soft_wax")
    assert (found.set_up_minutes, found.consultation_minutes, found.hands_on_minutes) == (5, 5, 15)
    assert (found.aftercare_minutes, found.clean_up_minutes, found.rebook_weeks) == (5, 10, 4)
    assert (found.price_minor, found.currency) == (2_400, "USD")
    assert found.room_features == ("wax heater", "sink")
    assert (found.kit, found.skill, found.source_id) == ("Brow kit", "waxing", "B1")


def test_what_the_file_does_not_say_stays_open(tmp_path):
    found = one(tmp_path, "Brow wax,brow,soft_wax,15,24")
    assert found.set_up_minutes is found.clean_up_minutes is found.rebook_weeks is None
    assert found.room_features == ()


@pytest.mark.parametrize(
    ("typed", "area"),
    [("Brows", "brow"), ("EYEBROWS", "brow"), ("upper lip", "lip"), ("Lower-legs", "lower_leg"),
     ("Augenbrauen", "brow"), ("Cejas", "brow"), ("full face", "face"), ("Cheeks", "sides_of_face")],
)  # fmt: skip
def test_areas_in_everyday_words(tmp_path, typed, area):
    assert one(tmp_path, f"X wax,{typed},hard wax,15,24").area == area


def test_unknown_words_are_errors_that_name_the_known_ones(tmp_path):
    _, rows = services(tmp_path, f"{HEADER}\nX wax,brrow,sugar,15,24\n")
    assert [(e.column, e.code) for e in rows[0].errors] == [
        ("Area", "area-unknown"),
        ("Method", "method-unknown"),
    ]
    assert "brow" in rows[0].errors[0].message
    assert "soft_wax" in rows[0].errors[1].message


def test_room_features_are_checked_where_words_are_given(tmp_path):
    words = Words(areas={"brow"}, methods={"tint"}, room_features={"sink", "wax_heater"})
    header = f"{HEADER},Room needs"
    assert one(
        tmp_path, "T,brow,tint,15,24,Wax Heater + sink", header, words=words
    ).room_features == (
        "wax_heater",
        "sink",
    )
    _, rows = services(tmp_path, f"{header}\nT,brow,tint,15,24,pool\n", words=words)
    assert codes(rows) == ["room-feature-unknown"]


def test_needed_cells_that_are_empty_are_errors(tmp_path):
    _, rows = services(tmp_path, f"{HEADER}\nBrow wax,,,,\n")
    assert codes(rows) == ["empty"] * 4


def test_a_missing_column_refuses_the_file(tmp_path):
    with pytest.raises(FileRefused, match="price"):
        services(tmp_path, "Service,Area,Method,Duration\nBrow wax,brow,soft_wax,15\n")


def test_european_prices_are_read_by_the_whole_column(tmp_path):
    text = "Behandlung;Bereich;Methode;Dauer;Preis (€)\nA;Kinn;hard wax;15 Min.;18,50\nB;face;facial;1 Std. 15;1.050\n"
    sheet, rows = services(tmp_path, text, place=BERLIN)
    assert [(r.value.price_minor, r.value.currency) for r in rows] == [
        (1_850, "EUR"),
        (105_000, "EUR"),
    ]
    assert rows[1].value.hands_on_minutes == 75
    assert any("a comma before the cents" in s for s in sheet.report.decisions)


def test_hours_entered_as_minutes_are_caught(tmp_path):
    _, rows = services(tmp_path, f"{HEADER}\nA,face,facial,1,80\nB,face,facial,1.5,80\n")
    assert codes(rows) == ["minutes-range", "minutes-unreadable"]


def test_one_name_twice_is_an_error(tmp_path):
    _, rows = services(
        tmp_path, f"{HEADER}\nLip wax,lip,hard wax,10,16\nLIP  WAX,lip,hard wax,10,18\n"
    )
    assert codes(rows) == ["row-repeated"]


def test_the_everyday_words_lead_to_words_that_screening_has():
    rules = Path(__file__).resolve().parents[2] / "clients/screening_rules/vocabulary.yaml"
    vocabulary = yaml.safe_load(rules.read_text())
    areas = {area for parent, inside in vocabulary["areas"].items() for area in (parent, *inside)}
    assert set(EVERYDAY_WORDS.values()) <= areas | set(vocabulary["methods"])
    assert set(WORDS.areas) <= areas
