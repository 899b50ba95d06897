"""Importing clients through the command: what it writes, refuses, finds again and never shows."""

import json

import psycopg
import pytest
from django.db import OperationalError

from clients import queries as clients
from clients.models import Client, Consent
from services.management.import_command import sentence_for
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.clock import now
from spa_ops.tenancy import actions as tenancy
from spa_ops.unit.work import reading
from tests.imports.commands import (
    clients_csv,
    counts,
    imported,
    many_clients,
    one,
    refused,
    rows,
    runs,
    staged,
    unfed,
)
from tests.world import BUSINESS, HARBOR, LAKE, OTHER, uid

NORA = "A1,Nora Invented,(312) 555-0142,beeswax"
OTTO = "A2,Otto Invented,(312) 555-0143,"
WRONG = "A3,Wrong Invented,12,"

pytestmark = pytest.mark.usefixtures("db")


def client(name: str) -> Client:
    with reading(BUSINESS):
        return Client.objects.get(name=name)


def test_a_client_is_as_if_added_by_hand_but_from_a_file(tmp_path, call):
    imported("clients", clients_csv(tmp_path, NORA, OTTO))
    nora = client("Nora Invented")
    assert (nora.phone, nora.version, nora.location_ids) == ("+13125550142", 1, [LAKE])
    found = call("freya").get("clients?q=nor").body["items"]
    assert [row["name"] for row in found] == ["Nora Invented"]
    assert one("SELECT kind FROM claims_bookable WHERE id = %s", nora.id) == "client"
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0


def test_imported_clients_consented_to_nothing(tmp_path):
    imported("clients", clients_csv(tmp_path, NORA))
    with reading(BUSINESS):
        assert clients.consents(client("Nora Invented").id) == {}
        assert not Consent.objects.filter(client=client("Nora Invented")).exists()


def test_allergy_text_is_sealed_not_verified_and_in_no_body(tmp_path, call):
    imported("clients", clients_csv(tmp_path, NORA))
    nora = client("Nora Invented")
    with reading(BUSINESS):
        assert clients.unverified_health(nora.id) == "beeswax"
    assert b"beeswax" not in bytes(nora.unverified_health)
    for answer in (
        call("olga").get(f"clients/{nora.id}").content,
        call("lena").get(f"feeds/{LAKE}/changes").content,
    ):
        assert b"beeswax" not in answer
    assert not rows("SELECT 1 FROM ledger_entry WHERE facts LIKE '%%beeswax%%'")
    assert not rows("SELECT 1 FROM clients_health_answer")


def test_one_entry_says_what_file_and_how_many(tmp_path):
    before = counts()["ledger_entry"]
    path = clients_csv(tmp_path, NORA, OTTO)
    imported("clients", path)
    assert counts()["ledger_entry"] == before + 1
    ((facts, header),) = rows(
        "SELECT facts, header FROM ledger_entry WHERE kind = 'import.completed'"
    )
    facts = json.loads(facts)
    (run,) = runs()
    assert facts["file_sha256"] == run.file_sha256
    assert facts["import_id"] == str(run.id)
    assert (facts["rows"], facts["added"], facts["left_out"]) == (2, 2, 0)
    assert json.loads(header)["location"] == str(LAKE)
    assert json.loads(header)["auth"] == "system"


def test_as_names_the_person_who_must_be_owner_or_lead_there(tmp_path):
    path = clients_csv(tmp_path, NORA)
    assert "not the login of an owner or lead" in refused("clients", path, login="petra")
    assert "not the login of an owner or lead" in refused("clients", path, login="henk")
    imported("clients", path, login="lena")
    (found,) = rows("SELECT person_id FROM ledger_entry WHERE kind = 'import.completed'")
    assert found == (uid("lena"),)


def test_a_dry_run_changes_nothing_and_says_what_would_be(tmp_path):
    before = counts()
    said = imported("clients", clients_csv(tmp_path, NORA, OTTO), dry_run=True)
    assert "2 would be added" in said
    assert "nothing was changed" in said
    assert (counts(), staged()) == (before, 0)
    assert [run.state for run in runs()] == ["discarded"]


def test_one_wrong_row_refuses_all_with_its_number_and_what_to_do(tmp_path):
    before = counts()
    said = refused("clients", clients_csv(tmp_path, NORA, WRONG, OTTO))
    assert "Row 3, Phone" in said
    assert "--skip-bad" in said
    assert "3 rows: 2 would be added" in said
    assert (counts(), staged()) == (before, 0)


def test_skip_bad_leaves_wrong_rows_out_and_says_which(tmp_path):
    said = imported("clients", clients_csv(tmp_path, NORA, WRONG, OTTO), skip_bad=True)
    assert "Row 3, Phone" in said
    assert "2 added" in said
    assert "1 with errors" in said
    assert client("Otto Invented").phone == "+13125550143"
    assert staged() == 0


def test_running_twice_doubles_nothing_and_a_second_entry_says_so(tmp_path):
    path = clients_csv(tmp_path, NORA, OTTO)
    imported("clients", path)
    before = counts()
    assert "0 added, 2 here already" in imported("clients", path)
    assert counts() == before | {"ledger_entry": before["ledger_entry"] + 1}


def test_a_client_entered_by_hand_is_found_again_and_told_allergies_are_kept(tmp_path):
    cora = client("Cora Dvořák")
    row = f"Z9,cora dvorak,{cora.phone},pine resin"
    said = imported("clients", clients_csv(tmp_path, row))
    assert "0 added, 1 here already" in said
    again = client("Cora Dvořák")
    assert again.version == cora.version + 1
    with reading(BUSINESS):
        assert clients.unverified_health(cora.id) == "pine resin"
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0


def test_a_client_of_another_location_is_linked_not_doubled(tmp_path):
    imported("clients", clients_csv(tmp_path, NORA))
    # Another book: the same person under another number.
    row = NORA.replace("A1", "B7").replace("beeswax", "")
    said = imported("clients", clients_csv(tmp_path, row), location="Harbor")
    assert "1 linked to Harbor" in said
    assert client("Nora Invented").location_ids == [LAKE, HARBOR]
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0


def test_another_business_is_not_touched_and_not_compared_with(tmp_path):
    before = counts(OTHER)
    path = clients_csv(tmp_path, NORA)
    imported("clients", path)
    assert counts(OTHER) == before
    said = imported("clients", path, business="invented alder skin rooms", location="Elsewhere")
    assert "1 added" in said
    assert one("SELECT count(*) FROM clients_client", business=OTHER) == 1


def test_a_name_without_letters_is_a_rows_error(tmp_path):
    assert "name-unreadable" in refused("clients", clients_csv(tmp_path, "A1,***,,"))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"location": "Nowhere"}, "Say which with --location. Known: Harbor"),
        ({"business": "Nobody"}, "Say which with --business"),
        ({"business": ""}, "Say which with --business"),
        ({"encoding": "no-such"}, "no-such"),
    ],
)
def test_what_is_asked_for_wrongly_is_one_sentence(tmp_path, options, said):
    path = clients_csv(tmp_path, NORA)
    assert said in refused("clients", path, **options)
    assert runs() == []


def test_a_missing_and_an_empty_file_are_one_sentence(tmp_path):
    assert "cannot be read" in refused("clients", tmp_path / "none.csv")
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    assert "empty" in refused("clients", empty)


def test_dates_that_could_be_either_are_asked_for(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text("Name,Birth date\nNora Invented,03/04/1990\n", encoding="utf-8")
    assert "--dates" in refused("clients", path)
    imported("clients", path, dates="day-first")
    assert str(client("Nora Invented").birth_date) == "1990-04-03"


def test_only_the_first_errors_are_shown_and_all_on_request(tmp_path):
    path = clients_csv(tmp_path, *(f"W{n},Wrong Invented{n},12," for n in range(60)))
    said = refused("clients", path)
    assert (said.count("Row "), "Not shown: 10 more" in said) == (50, True)
    assert refused("clients", path, all_errors=True).count("Row ") == 60


def test_many_are_all_there_with_their_words_and_changes(tmp_path):
    before = counts()
    imported("clients", many_clients(tmp_path, 2500))
    after = counts()
    assert after["clients_client"] == before["clients_client"] + 2500
    assert after["claims_bookable"] == before["claims_bookable"] + 2500
    assert after["sync_change"] == before["sync_change"] + 2500
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0
    assert one("SELECT count(*) FROM clients_client WHERE unverified_health IS NOT NULL") == 250
    without = "SELECT count(*) FROM clients_client e WHERE NOT EXISTS (SELECT FROM clients_client_word w WHERE w.client_id = e.id)"
    assert one(without) == 0


def test_who_was_erased_takes_no_allergy_text(tmp_path):
    imported("clients", clients_csv(tmp_path, OTTO))
    otto = client("Otto Invented")
    from spa_ops.tenancy.models import SubjectKey
    from spa_ops.tenancy.sealing import seal

    with reading(BUSINESS):
        seal(BUSINESS, otto.id, b"once")
        SubjectKey.objects.filter(id=otto.id).update(wrapped=None, destroyed_at=now())
    imported("clients", clients_csv(tmp_path, OTTO + "latex"))
    assert client("Otto Invented").unverified_health is None


def test_a_location_is_found_by_name_whatever_its_case(tmp_path):
    tenancy.add_location(
        actor=system_actor(OTHER), now=now(), name="Élan Nord", zone="America/Chicago", country="US",
        jurisdiction="us-tx", currency="USD", opening_hours={},
    )  # fmt: skip
    path = clients_csv(tmp_path, NORA)
    assert "1 added" in imported("clients", path, business=str(OTHER), location="elan nord")


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        (psycopg.errors.DiskFull, "no room left"),
        (psycopg.errors.TooManyConnections, "no room left"),
        (psycopg.errors.AdminShutdown, "connection to the database was lost"),
        (psycopg.errors.QueryCanceled, "too long"),
    ],
)
def test_a_failing_database_is_one_sentence(cause, said):
    error = OperationalError()
    error.__cause__ = cause()
    assert said in sentence_for(error)
