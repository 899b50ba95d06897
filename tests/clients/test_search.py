"""Finding one of 50,000 clients: by an index, under row-level security."""

import json

import pytest
from django.db import connection, connections
from django.test.utils import CaptureQueriesContext

from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.world import BUSINESS

MANY = 50_000


@pytest.fixture
def many_clients(own_database):
    """Invented names of letters only: first name, last name and a phone number each."""
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO clients_client (id, business_id, version, name, sort_name, phone, email,"
            " language, zone, note, location_ids, created_at) SELECT gen_random_uuid(), %s, 1,"
            " initcap(f || ' ' || l), f || ' ' || l, '+1312' || lpad(i::text, 7, '0'), '', '', '', '',"
            " '{}', now() FROM (SELECT i, translate((i %% 977)::text, '0123456789', 'abcdefghij') || 'ino' AS f,"
            " translate((i * 7919 %% 1000003)::text, '0123456789', 'klmnoprstu') || 'sen' AS l"
            " FROM generate_series(1, %s) AS i) AS made",
            [BUSINESS, MANY],
        )
        cursor.execute(
            "INSERT INTO clients_client_word (id, business_id, client_id, word)"
            " SELECT gen_random_uuid(), c.business_id, c.id, w FROM clients_client c,"
            " unnest(string_to_array(c.sort_name, ' ') || ARRAY[substr(c.phone, 2)]) AS w"
            " WHERE c.phone LIKE '+1312%%' AND c.location_ids = '{}'"
        )
    with connections["owner"].cursor() as cursor:
        cursor.execute("ANALYZE clients_client, clients_client_word")
    return Caller(secret_of("freya"))


def plan_of(caller, path):
    """The answer, the one statement that read it, and the nodes of its plan."""
    with CaptureQueriesContext(connection) as caught:
        answer = caller.get(path)
    assert answer.status_code == 200, answer.body
    (statement,) = [q["sql"] for q in caught if "clients_client e" in q["sql"]]
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute("EXPLAIN (FORMAT JSON) " + statement.replace("%", "%%"), [])
        found = cursor.fetchone()[0]
    plan = found if isinstance(found, list) else json.loads(found)
    return answer.body["items"], list(nodes(plan[0]["Plan"]))


def indexes(plan):
    return {node.get("Index Name") for node in plan}


def kinds(plan):
    return {node["Node Type"] for node in plan}


def nodes(plan):
    yield plan
    for inner in plan.get("Plans", []):
        yield from nodes(inner)


def test_one_of_fifty_thousand_is_found_through_an_index(many_clients):
    # One test: the clients are made once.
    _beginnings_are_found_through_the_index_of_words(many_clients)
    _the_list_by_name_walks_its_index_however_deep_the_page(many_clients)
    _one_hit_and_thousands_take_the_same_statements(many_clients)


def _beginnings_are_found_through_the_index_of_words(caller):
    for q, least in [("lmn", 1), ("bino l", 1), ("+1 (312) 000-12", 10)]:
        found, plan = plan_of(caller, f"clients?q={q.replace('+', '%2B')}")
        assert len(found) >= least, q
        assert "clients_client_word_search" in indexes(plan), q
        assert "Seq Scan" not in kinds(plan), q
    exact = {"DVOŘ": "Cora Dvořák", "weiß": "Celia O’Brien-Weiß", "lukas": "Hugo Łukasik"}
    for q, name in exact.items():
        found, plan = plan_of(caller, f"clients?q={q}")
        assert [c["name"] for c in found] == [name]
        assert "Seq Scan" not in kinds(plan), q


def _the_list_by_name_walks_its_index_however_deep_the_page(caller):
    page = caller.get("clients?limit=200").body
    for cursor in ("", f"&cursor={page['next']}"):
        found, plan = plan_of(caller, f"clients?limit=50{cursor}")
        assert len(found) == 50
        assert "clients_client_sort" in indexes(plan)
        assert "Seq Scan" not in kinds(
            [n for n in plan if n.get("Relation Name") == "clients_client"]
        )


def _one_hit_and_thousands_take_the_same_statements(caller):
    def statements(q):
        with CaptureQueriesContext(connection) as caught:
            caller.get(f"clients?q={q}&limit=200")
        return len(caught)

    assert statements("dvorak") == statements("b") == statements("zzz")
