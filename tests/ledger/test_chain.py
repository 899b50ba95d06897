"""The stored chain: what the actions write verifies, and what a superuser changes is found."""

import pytest
from django.db import connections

from compliance.ledger import queries
from spa_ops.tenancy import actions as tenancy
from spa_ops.unit.work import reading
from tests.world import BUSINESS, HARBOR, LAKE, actor


def _lake(now, times=4):
    """Changes of the location behind what the world has written; the number of the entry before them."""
    with reading(BUSINESS):
        before = queries.verification(BUSINESS, LAKE).count
    for i in range(times):
        tenancy.change_location(actor=actor("olga"), now=now, location_id=LAKE, name=f"Lake {i}")
    return before


def test_what_the_actions_wrote_verifies(db, now):
    before = _lake(now)
    with reading(BUSINESS):
        found = queries.verification(BUSINESS, LAKE)
        other = queries.verification(BUSINESS, HARBOR)
    assert (found.is_whole, found.count, found.failure) == (True, before + 4, None)
    assert (other.is_whole, other.failure) == (True, None)


@pytest.mark.parametrize(
    ("change", "n"),
    [
        ("UPDATE ledger_entry SET facts = replace(facts, 'us-tx', 'us-ca') WHERE n = {n}", 1),
        ("UPDATE ledger_entry SET header = replace(header, 'olga', 'olaf') WHERE false", None),
        ("UPDATE ledger_entry SET header = replace(header, '\"n\":', '\"n\":9') WHERE n = {n}", 2),
        ("DELETE FROM ledger_entry WHERE n = {n}", 2),
        ("DELETE FROM ledger_entry WHERE n = {n}", 4),
    ],
)
def test_a_change_behind_the_programs_back_is_found_where_it_is(own_database, now, change, n):
    before = _lake(now)
    n = None if n is None else before + n
    with connections["owner"].cursor() as cursor:
        cursor.execute("SELECT set_config('spa.business', %s, false)", [str(BUSINESS)])
        cursor.execute("ALTER TABLE ledger_entry DISABLE TRIGGER ALL")
        cursor.execute(f"{change.format(n=n)} AND chain_id = %s", [LAKE])
    with reading(BUSINESS):
        found = queries.verification(BUSINESS, LAKE)
    assert (found.failure.n if found.failure else None) == n


def test_an_inspector_reads_and_verifies_the_own_location_only(call, now):
    before = _lake(now)
    inga = call("inga")
    page = inga.get(f"evidence/{LAKE}/entries?kind=location.changed&limit=2").body
    assert [e["n"] for e in page["items"]] == [before + 1, before + 2]
    assert page["next_after"] == before + 2
    whole = inga.get(f"evidence/{LAKE}/verification").body
    assert (whole["intact"], whole["entries"], whole["first_flaw"]) == (True, before + 4, None)
    assert inga.get(f"evidence/{HARBOR}/entries").status_code == 404
    assert inga.get(f"evidence/{BUSINESS}/entries").status_code == 404
    assert call("olga").get(f"evidence/{BUSINESS}/verification").body["intact"] is True
    assert call("petra").get(f"evidence/{LAKE}/entries").status_code == 403
