"""How many SQL statements each read takes: a checked-in number, and a list's does not grow with its rows.

`WRITE_STATEMENT_COUNTS=1 pytest tests/web/test_statement_counts.py` writes the numbers anew.
"""

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from spa_ops.unit.work import reading
from spa_ops.web.views import ListView
from tests.callers import Caller, secret_of
from tests.web.access_matrix import PUBLIC, Endpoint, endpoints
from tests.web.sample_requests import QUERIES, Ids, path_of, rows_to_try
from tests.world import BUSINESS, uid

pytestmark = pytest.mark.usefixtures("busy_database")

NUMBERS = Path(__file__).with_name("statement_counts.json")
OWN = Ids(business=BUSINESS, person=uid("petra"))
READS = {e.name: e for e in endpoints() if e.method == "GET"}
LISTS = [name for name, e in READS.items() if issubclass(e.view, ListView)]
MANY = 40
#: Opening and closing a transaction: the tests' savepoints would count where the program has none.
FRAME = ("SAVEPOINT", "RELEASE SAVEPOINT", "ROLLBACK TO SAVEPOINT", "BEGIN", "COMMIT")


@pytest.fixture
def reader(db) -> Callable[[Endpoint], Caller]:
    """A caller who may read that. Rows that are copied in SQL have no changes, so not `call`."""
    made: dict[str, Caller] = {}

    def of(endpoint: Endpoint) -> Caller:
        if endpoint.roles == [PUBLIC]:
            return Caller()
        name = "olga" if "owner" in endpoint.roles else "petra"
        return made.setdefault(name, Caller(secret_of(name)))

    return of


def _counted(caller: Caller, path: str) -> tuple[int, Any]:
    with CaptureQueriesContext(connection) as captured:
        answer = caller.get(path)
    return len([q for q in captured if not q["sql"].startswith(FRAME)]), answer


def _paths(endpoint: Endpoint) -> list[str]:
    query = urlencode(QUERIES.get(endpoint.name, {}))
    many = range(rows_to_try(endpoint, OWN))
    return [f"{path_of(endpoint, OWN, at)}?{query}" for at in many]


def test_no_read_takes_more_statements_than_are_written_down(reader):
    counts = {}
    for name, endpoint in READS.items():
        found = [_counted(reader(endpoint), path) for path in _paths(endpoint)]
        read = [number for number, answer in found if answer.status_code == 200]
        assert read, f"{name}: nothing of it could be read"
        counts[name] = max(read)
    if os.environ.get("WRITE_STATEMENT_COUNTS"):
        NUMBERS.write_text(json.dumps(counts, indent=2) + "\n", encoding="utf-8")
    written = json.loads(NUMBERS.read_text(encoding="utf-8"))
    missing = sorted(counts.keys() - written.keys())
    assert not missing, f"reads without a number, run with WRITE_STATEMENT_COUNTS=1: {missing}"
    assert written.keys() == counts.keys(), "numbers of reads that are gone"
    more = {n: (written[n], counts[n]) for n in counts if counts[n] > written[n]}
    assert not more, f"more statements than written down (written, now): {more}"


@pytest.mark.parametrize("name", LISTS)
def test_a_list_of_forty_takes_as_many_statements_as_one_of_two(reader, name):
    endpoint = READS[name]
    caller, table = reader(endpoint), endpoint.view.entity.table
    path = next(p for p in _paths(endpoint) if caller.get(p).body.get("items"))
    first = caller.get(path).body["items"][0]["id"]
    with reading(BUSINESS), connection.cursor() as cursor:
        _copy(cursor, table, first)
    (few, short), (many, full) = (_counted(caller, f"{path}&limit={n}") for n in (2, MANY))
    assert (len(short.body["items"]), len(full.body["items"])) == (2, MANY)
    assert few == many


def _copy(cursor: Any, table: str, row_id: str) -> None:
    """MANY copies of a row, different where they must be."""
    if table == "services_skill":
        # One skill a person and service: the services come first, and each copy names its own.
        cursor.execute("SELECT service_id FROM services_skill WHERE id = %s", [row_id])
        _copy(cursor, "services_service", cursor.fetchone()[0])
        fresh = {"service_id": f"to_jsonb(({UNSKILLED}))"}
    elif table == "services_waiting_offer":
        cursor.execute("SELECT entry_id FROM services_waiting_offer WHERE id = %s", [row_id])
        _copy(cursor, "services_waiting_entry", cursor.fetchone()[0])
        fresh = {"entry_id": f"to_jsonb(({UNOFFERED}))"}
    elif table == "services_one_day":
        fresh = {"on": 'to_jsonb(r."on" + n)'}
    else:
        cursor.execute(UNIQUE_COLUMNS, [table])
        fresh = {name: f"to_jsonb({OTHER_VALUE[kind]})".replace("$", f"r.{name}") for name, kind in cursor.fetchall()}  # fmt: skip
    fresh["id"] = "to_jsonb(gen_random_uuid())"
    built = ", ".join(f"'{column}', {sql}" for column, sql in fresh.items())
    cursor.execute(
        f"INSERT INTO {table} SELECT (jsonb_populate_record(r, jsonb_build_object({built}))).* "
        f"FROM {table} r, generate_series(1, {MANY}) n WHERE r.id = %s",
        [row_id],
    )
    if table == "services_visit":
        cursor.execute(COPIED_LINES, [row_id])


#: The lines of a visit for each copy of it, which has none yet.
COPIED_LINES = """
INSERT INTO services_line
SELECT (jsonb_populate_record(l, jsonb_build_object('id', gen_random_uuid(), 'visit_id', v.id))).*
FROM services_line l, services_visit v
WHERE l.visit_id = %s AND NOT EXISTS (SELECT FROM services_line o WHERE o.visit_id = v.id)
"""


#: The columns by which rows of a table must differ, but for ids and references.
UNIQUE_COLUMNS = """
SELECT DISTINCT a.attname, a.atttypid::regtype::text FROM pg_index i
JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = ANY(i.indkey)
WHERE i.indrelid = %s::regclass AND i.indisunique AND a.atttypid <> 'uuid'::regtype
"""
#: The nth service that the person of skill `r` has no skill for.
UNSKILLED = """
SELECT s.id FROM services_service s WHERE NOT EXISTS (
    SELECT FROM services_skill k WHERE k.service_id = s.id AND k.person_id = r.person_id
) ORDER BY s.id OFFSET n - 1 LIMIT 1
"""
#: The nth entry of a waiting list to whom nothing was offered.
UNOFFERED = """
SELECT w.id FROM services_waiting_entry w WHERE NOT EXISTS (
    SELECT FROM services_waiting_offer o WHERE o.entry_id = w.id
) ORDER BY w.id OFFSET n - 1 LIMIT 1
"""
OTHER_VALUE = {
    "character varying": "$ || n",
    "date": "$ + n",
    "integer": "$ + n",
    "timestamp with time zone": "$ + n * interval '1 day'",
}
