"""Importing a price list through the command."""

import pytest

from services.models import Service
from spa_ops.unit.work import reading
from tests.imports.commands import counts, imported, refused, rows, runs, unfed
from tests.world import BUSINESS, OTHER, uid

HEADER = "Service,Area,Method,Duration,Price,Room needs,Kit,Skill"
LIP = "Invented lip wax,Upper lip,Hard wax,10 min,$16.50,wax heater,Face kit,waxing"

pytestmark = pytest.mark.usefixtures("db")


def services_csv(folder, *lines):
    path = folder / "services.csv"
    path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return path


def test_a_service_is_on_the_price_list_of_the_business_with_house_minutes_said(tmp_path):
    said = imported("services", services_csv(tmp_path, LIP))
    with reading(BUSINESS):
        row = Service.objects.get(name="Invented lip wax")
    assert (row.area, row.method, row.hands_on_minutes) == ("lip", "hard_wax", 10)
    assert (row.price_minor, row.currency, row.kit_kind) == (1650, "USD", "Face kit")
    assert row.room_features == ["wax_heater"]
    # House policy, said so.
    assert (row.set_up_minutes, row.consultation_minutes, row.clean_up_minutes) == (5, 5, 10)
    assert "without clean-up minutes: 10 taken (house policy)" in said
    assert "skill words, which are not kept" in said
    assert unfed("service", "services_service", "e.business_id") == 0


def test_its_evidence_is_one_entry_in_the_chain_of_the_business(tmp_path):
    before = counts()["ledger_entry"]
    imported("services", services_csv(tmp_path, LIP))
    assert counts()["ledger_entry"] == before + 1
    sql = "SELECT chain_id FROM ledger_entry WHERE kind = 'import.completed'"
    assert rows(sql) == [(BUSINESS,)]


def test_running_twice_doubles_nothing_and_another_price_is_said_not_taken(tmp_path):
    imported("services", services_csv(tmp_path, LIP))
    before = counts()["services_service"]
    dearer = LIP.replace("16.50", "18.00")
    said = imported("services", services_csv(tmp_path, dearer))
    assert "0 added, 1 here already" in said
    assert "Row 2: Invented lip wax is on the price list at another price" in said
    assert counts()["services_service"] == before


def test_a_service_entered_by_hand_is_found_by_its_name(tmp_path):
    # The world has a service called Lip Wax.
    said = imported("services", services_csv(tmp_path, LIP.replace("Invented lip", "LIP")))
    assert "0 added, 1 here already" in said
    with reading(BUSINESS):
        assert Service.objects.get(id=uid("lip wax")).version == 1


def test_a_dry_run_and_a_refusal_change_nothing(tmp_path):
    before = counts()
    assert "1 would be added" in imported("services", services_csv(tmp_path, LIP), dry_run=True)
    said = refused(
        "services",
        services_csv(
            tmp_path, LIP, LIP.replace("lip wax", "ear candle").replace("Hard wax", "Candle")
        ),
    )
    assert "Row 3, Method" in said
    assert counts() == before
    assert {run.state for run in runs()} == {"discarded"}


def test_a_price_beyond_the_price_list_is_a_rows_error(tmp_path):
    assert "price-too-large" in refused(
        "services", services_csv(tmp_path, LIP.replace("$16.50", "2000001.00"))
    )


def test_another_business_has_its_own_price_list(tmp_path):
    imported("services", services_csv(tmp_path, LIP))
    assert counts(OTHER)["services_service"] == 0
    said = imported(
        "services", services_csv(tmp_path, LIP), business=str(OTHER), location="Elsewhere"
    )
    assert "1 added" in said
