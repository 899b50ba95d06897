"""The stored chain: what the actions write verifies, and what a superuser changes is found."""

import pytest
from django.db import connections

from compliance.ledger import queries
from spa_ops.tenancy import actions as tenancy
from spa_ops.unit.work import reading
from tests.world import BUSINESS, HARBOR, LAKE, actor


def _lake(now, times=4):
    for i in range(times):
        tenancy.change_location(actor=actor("olga"), now=now, location_id=LAKE, name=f"Lake {i}")


def test_what_the_actions_wrote_verifies(db, now):
    _lake(now)
    for chain, count in ((LAKE, 5), (HARBOR, 1)):
        with reading(BUSINESS):
            found = queries.verification(BUSINESS, chain)
        assert (found.is_whole, found.count, found.failure) == (True, count, None)


@pytest.mark.parametrize(
    ("change", "n"),
    [
        ("UPDATE ledger_entry SET facts = replace(facts, 'us-tx', 'us-ca') WHERE n = 2", 2),
        ("UPDATE ledger_entry SET header = replace(header, 'olga', 'olaf') WHERE false", None),
        ("UPDATE ledger_entry SET header = replace(header, '\"n\":3', '\"n\":9') WHERE n = 3", 3),
        ("DELETE FROM ledger_entry WHERE n = 3", 3),
        ("DELETE FROM ledger_entry WHERE n = 5", 5),
    ],
)
def test_a_change_behind_the_programs_back_is_found_where_it_is(own_database, now, change, n):
    _lake(now)
    with connections["owner"].cursor() as cursor:
        cursor.execute("SELECT set_config('spa.business', %s, false)", [str(BUSINESS)])
        cursor.execute("ALTER TABLE ledger_entry DISABLE TRIGGER ALL")
        cursor.execute(f"{change}{' AND' if 'WHERE' in change else ' WHERE'} chain_id = %s", [LAKE])
    with reading(BUSINESS):
        found = queries.verification(BUSINESS, LAKE)
    assert (found.failure.n if found.failure else None) == n


def test_an_inspector_reads_and_verifies_the_own_location_only(call, now):
    _lake(now)
    inga = call("inga")
    page = inga.get(f"evidence/{LAKE}/entries?kind=location.changed&limit=2").body
    assert [e["n"] for e in page["items"]] == [2, 3]
    assert page["next_after"] == 3
    whole = inga.get(f"evidence/{LAKE}/verification").body
    assert (whole["intact"], whole["entries"], whole["first_flaw"]) == (True, 5, None)
    assert inga.get(f"evidence/{HARBOR}/entries").status_code == 404
    assert inga.get(f"evidence/{BUSINESS}/entries").status_code == 404
    assert call("olga").get(f"evidence/{BUSINESS}/verification").body["intact"] is True
    assert call("petra").get(f"evidence/{LAKE}/entries").status_code == 403
