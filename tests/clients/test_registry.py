"""Every table that holds a client's id says what becomes of it, or is listed as still open."""

import pytest
from django.apps import apps

from clients.actions_patch_tests import record_patch_test, record_reading
from clients.models import Client
from clients.registry import HOLDINGS, Holding, register
from clients.rules.patch_tests import Grade, Outcome, SeenBy
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, actor, uid

#: Tables whose own id is the client's.
NAMED_LIKE_THE_CLIENT = {"claims_bookable", "clients_client", "tenancy_subject_key"}


def tables_with_a_client():
    found = set(NAMED_LIKE_THE_CLIENT)
    for model in apps.get_models():
        for field in model._meta.local_fields:
            if field.column == "client_id" or field.related_model is Client:
                found.add(model._meta.db_table)
    return found


def test_no_table_with_a_clients_id_is_forgotten():
    assert tables_with_a_client() - HOLDINGS.keys() == set()


def test_what_is_registered_is_there_and_can_be_exported():
    assert HOLDINGS.keys() == tables_with_a_client()
    assert all(holding.export for holding in HOLDINGS.values())


def test_a_table_is_registered_once():
    holding = Holding(table="invented_table", export=lambda client_id: [{"client": str(client_id)}])
    try:
        assert register(holding) is HOLDINGS["invented_table"]
        with pytest.raises(ValueError, match="registered already"):
            register(holding)
    finally:
        del HOLDINGS["invented_table"]


def test_what_a_client_is_told_of_their_patch_tests_is_all_of_it(db, now):
    made = record_patch_test(
        actor=actor("petra"), now=now, client_id=uid("cora"), location_id=LAKE,
        skin_product_id=uid("tint"), product_name="Tint", supplier="Invented Alba",
        formula_version="A1", lead_hours=48, area="ear", applied_at=now,
    )  # fmt: skip
    record_reading(
        actor=actor("petra"), now=now, patch_test_id=made.id, location_id=LAKE,
        outcome=Outcome.REACTION, grade=Grade.REDNESS, seen_by=SeenBy.CLIENT, note="itched",
    )  # fmt: skip
    with reading(BUSINESS):
        (test,) = HOLDINGS["clients_patch_test"].export(uid("cora"))
        (entry,) = HOLDINGS["clients_patch_test_entry"].export(uid("cora"))
        assert HOLDINGS["clients_patch_test"].export(uid("celia")) == []
        assert HOLDINGS["clients_patch_test_entry"].export(uid("celia")) == []
    assert (test["id"], test["product_name"]) == (str(made.id), "Tint")
    assert (entry["patch_test_id"], entry["outcome"]) == (str(made.id), "reaction")
    assert (entry["grade"], entry["note"]) == ("redness", "itched")
