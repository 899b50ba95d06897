"""Clients who may be one person: suggested with why, told apart once and for good."""

import threading
from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients.actions import add_client
from clients.actions_duplicates import tell_apart
from clients.models import ToldApart
from clients.queries_duplicates import duplicates
from compliance.ledger.queries import entries
from spa_ops.unit.work import reading
from tests.clients.test_search import many_clients  # noqa: F401 - a fixture
from tests.world import BUSINESS, LAKE, actor, uid

CORA, TWIN = str(uid("cora")), str(uid("twin"))


def twin(now, who="twin", /, **given):
    given = {"name": "Cora Dvorak"} | given
    add_client(actor=actor("freya"), now=now, id=uid(who), location_id=LAKE, **given)


def found(call, by="lena"):
    answer = call(by).get("clients/duplicates")
    assert answer.status_code == 200
    return [(set(i["client_ids"]), i["why"]) for i in answer.body["items"]]


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"name": "Someone", "phone": "+1 312 555 0123"}, ["phone"]),
        ({"name": "Someone", "email": "CORA@invented.example"}, ["email"]),
        ({"birth_date": date(1990, 4, 12)}, ["name_and_birth_date"]),
        ({"birth_date": date(1990, 4, 12), "phone": "312 555 0123"}, ["name_and_birth_date", "phone"]),
        ({"birth_date": date(1990, 4, 13)}, None),
        ({}, None),
    ],
)  # fmt: skip
def test_what_is_alike_is_suggested_with_why(call, now, given, why):
    twin(now, **given)
    assert found(call) == ([({CORA, TWIN}, why)] if why else [])


def test_told_apart_is_kept_once_whoever_is_named_first(call, now):
    twin(now, phone="+13125550123")
    twin(now, "triplet", name="Third", phone="+13125550123")
    for a, b in ((CORA, TWIN), (TWIN, CORA), (CORA, TWIN)):
        done = call("lena").post(f"clients/{a}/told-apart", {"client_id": b})
        assert (done.status_code, done.body["id"]) == (200, a)
    assert {CORA, TWIN} not in [pair for pair, _ in found(call)]
    assert len(found(call)) == 2
    with reading(BUSINESS):
        assert ToldApart.objects.count() == 1
        assert len(entries(BUSINESS, kinds=["client.told_apart"])) == 1


def test_bad_input_and_who_may_not(call, now):
    twin(now, phone="+13125550123")
    path = f"clients/{CORA}/told-apart"
    assert call("lena").post(path, {"client_id": CORA}).status_code == 422
    assert call("lena").post(path, {}).status_code == 422
    assert call("lena").post(path, {"client_id": str(uid("nobody"))}).status_code == 404
    assert call("stranger").post(path, {"client_id": TWIN}).status_code == 404
    assert call("freya").post(path, {"client_id": TWIN}).status_code == 403
    assert call("lena").get("clients/duplicates?limit=0").status_code == 422
    assert len(found(call)) == 1
    assert found(call, "stranger") == []


def test_an_erased_client_is_nobodys_double(call, now):
    twin(now, phone="+13125550123")
    body = {"asked_by": "client", "reason": "wish"}
    assert call("lena").post(f"clients/{TWIN}/erase", body).status_code == 200
    assert found(call) == []


def test_two_at_once_tell_them_apart_once(own_database, now):
    twin(now)
    together = threading.Barrier(2)

    def tell(a, b):
        together.wait()
        try:
            tell_apart(actor=actor("lena"), now=now, client_id=uid(a), other_id=uid(b))
        finally:
            connection.close()

    pairs = (("cora", "twin"), ("twin", "cora"))
    threads = [threading.Thread(target=tell, args=pair) for pair in pairs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with reading(BUSINESS):
        assert ToldApart.objects.count() == 1


def test_one_statement_among_fifty_thousand(many_clients):  # noqa: F811
    with reading(BUSINESS), CaptureQueriesContext(connection) as caught:
        assert duplicates(200) == []
    assert len([q for q in caught if "clients_client" in q["sql"]]) == 1
