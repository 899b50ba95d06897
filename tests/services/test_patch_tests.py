"""Patch tests over HTTP: made as a line or at once, read, struck out, and what then starts."""

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from uuid import uuid4

import pytest
from django.db import connection

from clients.actions_patch_tests import record_patch_test, record_reading, strike_patch_test
from clients.models import HealthRead, PatchTest, PatchTestEntry
from clients.rules.patch_tests import Outcome, SeenBy
from services.tasks import look_ahead
from spa_ops.kernel import clock
from spa_ops.kernel.problems import Problem
from spa_ops.unit.work import reading
from tests.clients.test_api import entries
from tests.clients.test_health import every_row_as_text
from tests.services.day import GLOVED, RECORD, WASHED, all_no, book, consult, in_room, line
from tests.world import BUSINESS, LAKE, actor, uid

CORA = f"clients/{uid('cora')}"
TINT = {
    "id": str(uid("brow tint")), "name": "Brow tint, warm brown", "supplier": "Invented Alba",
    "formula_version": "A1", "ingredients": ["hair_dye"],
}  # fmt: skip
CLEAR = {"outcome": "no_reaction", "seen_by": "practitioner"}
REACTED = {"outcome": "reaction", "grade": "redness", "seen_by": "client", "note": "itched badly"}


@pytest.fixture
def tint(call):
    """A tint that needs a patch test, the service that uses it, and the test as a bookable line."""
    lena = call("lena")
    added = lena.post("skin-products", TINT)
    assert (added.status_code, added.body["patch_test_hours"]) == (201, 48), added.body
    for name, method, more in (
        ("tint", "tint", {"needs_patch_test": True}),
        ("tint test", "patch_test", {}),
    ):
        service = {
            "id": str(uid(name)), "name": name, "area": "brow", "method": method,
            "hands_on_minutes": 5, "price_minor": 1000, "skin_product_ids": [TINT["id"]],
        } | more  # fmt: skip
        done = lena.post("services", service)
        assert done.status_code == 201, done.body
        skill = lena.post(f"people/{uid('petra')}/skills", {"service_id": str(uid(name))})
        assert skill.status_code == 201
    return added.body


def seated(call, now, service="tint", minutes=30):
    return in_room(call, now, line(now, service, kit=None, minutes=minutes))


def asked(call, visit, method="tint", **said):
    return consult(call, visit, answers=all_no(method, "brow"), findings=[], **said)["lines"][0]


def start(call, visit):
    return call("petra").post(f"lines/{visit['lines'][0]['id']}/start", GLOVED)


def applied(call, at=None, **more):
    given = {"skin_product_id": TINT["id"], "area": "ear"} | more
    if at is not None:
        given["applied_at"] = at.isoformat()
    made = call("petra").post(f"{CORA}/patch-tests", given)
    assert made.status_code == 201, made.body
    return made.body


def read(call, test, said=CLEAR, by="petra", **more):
    return call(by).post(f"patch-tests/{test['id']}/result", said, **more)


def test_without_a_test_nothing_starts_and_the_date_is_two_days_on(call, now, tint):
    visit = seated(call, now)
    judged = asked(call, visit)
    # 48 h: UK training text, trade-facts 7.32.
    assert (judged["verdict"], judged["earliest_on"]) == ("patch_test_first", "2026-05-08")
    assert datetime.fromisoformat(judged["earliest_at"]) == now + timedelta(hours=48)
    assert start(call, visit).body["type"] == "/problems/screening-forbids"
    override = call("petra").post(f"lines/{judged['id']}/override", {"reason": "she insists"})
    assert override.body["type"] == "/problems/not-overridable"


def test_the_lead_time_holds_to_the_minute(call, now, tint):
    # The lead time ends at 15:00; at 14:59 a reading clears nothing, and no line starts.
    ends = now + timedelta(minutes=50)
    test = applied(call, ends - timedelta(hours=48))
    assert datetime.fromisoformat(test["readable_at"]) == ends
    visit = seated(call, now)
    judged = asked(call, visit)
    assert judged["verdict"] == "patch_test_first"
    assert datetime.fromisoformat(judged["earliest_at"]) == ends
    with clock.stopped_at(ends - timedelta(minutes=1)):
        assert read(call, test).status_code == 200
        refused = start(call, visit)
        assert (refused.status_code, refused.body["verdict"]) == (409, "patch_test_first")
        assert datetime.fromisoformat(refused.body["earliest_at"]) == ends
    with clock.stopped_at(ends):
        assert start(call, visit).status_code == 409  # nobody has looked since
        assert read(call, test).status_code == 200
        assert start(call, visit).status_code == 200
    readings = call("petra").get(f"{CORA}/patch-tests").body["items"][0]["readings"]
    assert [r["counts"] for r in readings] == [False, True]


def test_a_line_that_is_a_patch_test_records_it_and_striking_the_line_strikes_it(call, now, tint):
    visit = seated(call, now, "tint test")
    assert asked(call, visit, "patch_test")["verdict"] == "proceed"
    path = f"lines/{visit['lines'][0]['id']}"
    assert start(call, visit).status_code == 200
    record = RECORD | {"method": "patch_test"}
    assert call("petra").post(f"{path}/finish", {"record": record, **WASHED}).status_code == 200
    (found,) = call("petra").get(f"{CORA}/patch-tests").body["items"]
    assert (found["skin_product_id"], found["area"]) == (TINT["id"], "brow")
    assert (found["line_id"], found["lead_hours"]) == (visit["lines"][0]["id"], 48)
    assert call("petra").post(f"{path}/strike-out", {"reason": "not yet done"}).status_code == 200
    (found,) = call("petra").get(f"{CORA}/patch-tests").body["items"]
    assert found["struck"] == "not yet done"


def test_a_reaction_blocks_for_good_and_nobody_overrides(call, now, tint):
    test = applied(call, now - timedelta(hours=50))
    visit = seated(call, now)
    assert asked(call, visit)["verdict"] == "patch_test_first"
    assert read(call, test).status_code == 200
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["verdict"] == "proceed"
    assert read(call, test, REACTED).status_code == 200
    judged = call("petra").get(f"visits/{visit['id']}").body["lines"][0]
    assert (judged["verdict"], judged["earliest_on"]) == ("do_not_treat", None)
    refused = start(call, visit)
    assert (refused.status_code, refused.body["verdict"]) == (409, "do_not_treat")
    for who in ("petra", "lena"):
        override = call(who).post(f"lines/{judged['id']}/override", {"reason": "she insists"})
        assert override.body["type"] in {"/problems/not-overridable", "/problems/not-covered"}
    (product,) = call("petra").get(f"{CORA}/patch-tests").body["products"]
    assert product["status"] == "positive"
    # A new formula does not make it good again.
    changed = call("lena").patch(
        f"skin-products/{TINT['id']}", {"formula_version": "A2"}, If_Match='"1"'
    )
    assert changed.status_code == 200, changed.body
    assert asked(call, visit)["verdict"] == "do_not_treat"


def test_a_reaction_puts_the_visits_to_come_in_question_until_it_is_struck_out(call, now, tint):
    coming = book(call, now, line(now, "tint", kit=None, minutes=7 * 24 * 60))
    assert coming.status_code == 201, coming.body
    test = applied(call, now - timedelta(hours=50))
    look_ahead()
    in_question = f"locations/{LAKE}/visits-in-question"
    # A test that is still to be made is no reason to call anybody.
    assert call("freya").get(in_question).body["items"] == []
    assert read(call, test, REACTED).status_code == 200
    look_ahead()
    (visit,) = call("freya").get(in_question).body["items"]
    assert (visit["id"], visit["lines"][0]["verdict"]) == (coming.body["id"], "do_not_treat")
    (kept,) = call("petra").get(f"{CORA}/patch-tests").body["items"]
    wrong = {"entry_id": kept["readings"][-1]["id"], "reason": "another client"}
    struck = call("petra").post(f"patch-tests/{test['id']}/strike-out", wrong)
    assert struck.status_code == 200, struck.body
    look_ahead()
    assert call("freya").get(in_question).body["items"] == []


def test_a_reaction_recorded_wrongly_is_struck_out_and_the_line_decided_again(call, now, tint):
    test = applied(call, now - timedelta(hours=50))
    visit = seated(call, now)
    asked(call, visit)
    read(call, test)
    read(call, test, REACTED)
    readings = call("petra").get(f"{CORA}/patch-tests").body["items"][0]["readings"]
    wrong = {"entry_id": readings[1]["id"], "reason": "wrong client"}
    path = f"patch-tests/{test['id']}/strike-out"
    assert call("petra").post(path, wrong).status_code == 200
    assert call("petra").get(f"visits/{visit['id']}").body["lines"][0]["verdict"] == "proceed"
    assert call("petra").post(path, wrong).body["type"] == "/problems/already-corrected"
    kept = call("petra").get(f"{CORA}/patch-tests").body["items"][0]["readings"]
    assert [r["struck"] for r in kept] == [None, "wrong client"]
    # The whole test: what came of it falls with it.
    assert call("petra").post(path, {"reason": "another product"}).status_code == 200
    judged = call("petra").get(f"visits/{visit['id']}").body["lines"][0]
    assert judged["verdict"] == "patch_test_first"
    assert read(call, test).body["type"] == "/problems/wrong-state"


def test_another_formula_voids_it_between_consultation_and_start(call, now, tint):
    test = applied(call, now - timedelta(hours=50))
    read(call, test)
    visit = seated(call, now)
    assert asked(call, visit)["verdict"] == "proceed"
    changed = call("lena").patch(
        f"skin-products/{TINT['id']}", {"formula_version": "A2"}, If_Match='"1"'
    )
    assert changed.status_code == 200
    assert start(call, visit).body["verdict"] == "patch_test_first"


def test_a_new_medicine_ends_it(call, now, tint):
    read(call, applied(call, now - timedelta(hours=50)))
    visit = seated(call, now)
    said = [{"kind": "medicine", "details": ["antibiotic"], "still": True}]
    judged = consult(
        call, visit, answers=all_no("tint", "brow", new_medicine="yes"), findings=[],
        declarations=said,
    )["lines"][0]  # fmt: skip
    why = call("petra").get(f"visits/{visit['id']}/consultation").body["lines"][0]["reasons"]
    assert "patch_test_due" in {r["rule_id"] for r in why}
    assert judged["verdict"] != "proceed"


def test_an_allergy_is_matched_with_what_is_on_the_label(call, now, tint):
    read(call, applied(call, now - timedelta(hours=50)))
    visit = seated(call, now)
    for detail, verdict in (("rosin", "proceed"), ("hair_dye", "do_not_treat")):
        judged = consult(
            call, visit, answers=all_no("tint", "brow", allergies="yes"), findings=[],
            declarations=[{"kind": "allergy", "details": [detail]}],
        )["lines"][0]  # fmt: skip
        assert judged["verdict"] == verdict, detail


def test_what_came_of_it_is_sealed_and_in_no_entry_feed_or_answer_of_the_desk(call, now, tint):
    test = applied(call, now - timedelta(hours=50))
    answered = read(call, test, REACTED)
    assert b"reaction" not in answered.content
    rows = every_row_as_text()
    assert len(rows["clients_patch_test_entry"].splitlines()) == 1
    for table, text in rows.items():
        for word in ("itched badly", '"redness"'):
            assert word not in text, table
            assert word.encode().hex() not in text, table
    (chain, facts), *_ = entries("client.patch_test_read", uid("cora"))
    assert chain == LAKE
    assert facts.keys() == {"client_id", "patch_test_id", "entry_id"}
    assert call("freya").get(f"{CORA}/patch-tests").status_code == 403
    assert call("hana").get(f"{CORA}/patch-tests").status_code == 404
    with reading(BUSINESS):
        before = HealthRead.objects.count()
    assert call("petra").get(f"{CORA}/patch-tests").status_code == 200
    with reading(BUSINESS):
        assert HealthRead.objects.count() == before + 1
    assert call("inga").get(f"evidence/{LAKE}/verification").body["intact"] is True


@pytest.mark.parametrize(
    ("said", "pointer"),
    [
        ({"outcome": "reaction", "seen_by": "client"}, "/grade"),
        (CLEAR | {"grade": "redness"}, "/grade"),
        (CLEAR | {"read_at": "2031-01-01T00:00:00Z"}, "/read_at"),
        (CLEAR | {"read_at": "2020-01-01T00:00:00Z"}, "/read_at"),
        (CLEAR | {"outcome": "maybe"}, "/outcome"),
        (CLEAR | {"seen_by": "nobody"}, "/seen_by"),
        ({"seen_by": "client"}, "/outcome"),
    ],
)
def test_a_bad_result_is_named_and_changes_nothing(call, now, tint, said, pointer):
    test = applied(call, now - timedelta(hours=50))
    refused = read(call, test, said)
    assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    with reading(BUSINESS):
        assert not PatchTestEntry.objects.exists()


@pytest.mark.parametrize(
    ("wrong", "status"),
    [
        ({"area": "elsewhere"}, 422),
        ({"applied_at": "2031-01-01T00:00:00Z"}, 422),
        ({"skin_product_id": str(uuid4())}, 404),
        ({"location_id": str(uuid4())}, 404),
    ],
)
def test_a_bad_test_changes_nothing(call, tint, wrong, status):
    given = {"skin_product_id": TINT["id"], "area": "ear"} | wrong
    assert call("petra").post(f"{CORA}/patch-tests", given).status_code == status
    with reading(BUSINESS):
        assert not PatchTest.objects.exists()


def test_a_product_is_refused_by_what_is_wrong_with_it(call, tint):
    lena = call("lena")
    for wrong, pointer in (
        ({"name": " "}, "/name"),
        ({"patch_test_hours": 12}, "/patch_test_hours"),
        ({"ingredients": ["moonlight"]}, "/ingredients"),
    ):
        refused = lena.post("skin-products", TINT | {"id": str(uuid4())} | wrong)
        assert (refused.status_code, refused.body["errors"][0]["pointer"]) == (422, pointer)
    assert lena.post("skin-products", TINT).status_code == 409
    retired = lena.post(f"skin-products/{TINT['id']}/retire", If_Match='"1"')
    assert retired.body["active"] is False
    given = {"skin_product_id": TINT["id"], "area": "ear"}
    assert call("petra").post(f"{CORA}/patch-tests", given).body["type"] == "/problems/wrong-state"
    service = {
        "name": "x", "area": "brow", "method": "patch_test", "hands_on_minutes": 5, "price_minor": 0,
    }  # fmt: skip
    nothing = lena.post("services", service)
    assert nothing.body["errors"][0]["pointer"] == "/skin_product_ids"
    gone = lena.post("services", service | {"skin_product_ids": [TINT["id"]]})
    assert gone.body["errors"][0]["pointer"] == "/skin_product_ids"


def test_a_repeat_with_its_key_is_one_test_and_one_reading(call, now, tint):
    given = {"skin_product_id": TINT["id"], "area": "ear"}
    first = call("petra").post(f"{CORA}/patch-tests", given, Idempotency_Key="t-1")
    again = call("petra").post(f"{CORA}/patch-tests", given, Idempotency_Key="t-1")
    assert (first.body, again["Idempotency-Replayed"]) == (again.body, "true")
    for _ in range(2):
        assert read(call, first.body, REACTED, Idempotency_Key="r-1").status_code == 200
    with reading(BUSINESS):
        assert (PatchTest.objects.count(), PatchTestEntry.objects.count()) == (1, 1)


def _at_once(works):
    """What each of the calls gave, run by threads at the same time: a slug where it was refused."""

    def one(work):
        try:
            work()
            return "done"
        except Problem as problem:
            return problem.slug
        finally:
            connection.close()

    with ThreadPoolExecutor(len(works)) as pool:
        return list(pool.map(one, works))


def test_many_at_once_read_it_and_strike_the_test_once(own_database, now):
    given = {"actor": actor("petra"), "now": now, "location_id": LAKE}
    test = record_patch_test(
        **given, client_id=uid("cora"), skin_product_id=uid("brow tint"), product_name="Tint",
        supplier="Invented Alba", formula_version="A1", lead_hours=48, area="ear", applied_at=now,
    )  # fmt: skip
    said = {"outcome": Outcome.NO_REACTION, "seen_by": SeenBy.CLIENT}
    assert (
        _at_once([partial(record_reading, **given, patch_test_id=test.id, **said)] * 6)
        == ["done"] * 6
    )
    struck = _at_once([partial(strike_patch_test, **given, patch_test_id=test.id, reason="x")] * 6)
    assert sorted(struck) == ["already-corrected"] * 5 + ["done"]
    with reading(BUSINESS):
        rows = list(PatchTestEntry.objects.values_list("recorded_at", "kind"))
    assert len({at for at, _ in rows}) == 7, "the newest is one"
