"""What consultations keep: sealed at rest, seen by few, each reading recorded, never changed."""

import json
import threading
from datetime import date
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clients import actions, queries
from clients.models import Client, HealthAnswer, HealthRead
from clients.queries import HealthItem
from clients.rule_files import shipped_rule_set
from clients.rules.cases import LineToScreen
from clients.rules.engine import screen
from clients.rules.model import PatchTest, Verdict
from spa_ops.kernel.problems import InvalidInput, NotFound, WrongState
from spa_ops.tenancy.sealing import Erased, seal_each
from spa_ops.unit.work import reading
from spa_ops.web.entities import ENTITIES
from tests.world import BUSINESS, HARBOR, LAKE, actor, stranger, uid

TODAY = date(2026, 5, 6)
CORA, VISIT = uid("cora"), uid("a visit")
HEALTH = f"clients/{CORA}/health"
SAID = {
    "answers": [{"question": "isotretinoin", "answer": "yes"}],
    "declarations": [{"kind": "isotretinoin", "still": True}],
    "findings": [{"code": "sunburn", "areas": ["sides_of_face"]}],
}
#: Words of SAID that no plain column may hold.
WORDS = ("isotretinoin", "sunburn", "sides_of_face", "wrong ear")


def record(now, visit_id=VISIT, by="petra", **said):
    items = queries.items_from(**(said or SAID), today=TODAY)
    return actions.record_health(
        actor=actor(by), now=now, client_id=CORA, visit_id=visit_id, location_id=LAKE, items=items
    )


def strike(now, item_id, by="petra", reason="wrong ear", client_id=CORA, place=LAKE):
    return actions.strike_out(
        actor=actor(by), now=now, client_id=client_id, item_id=item_id, location_id=place,
        reason=reason,
    )  # fmt: skip


def kept(**options):
    with reading(BUSINESS):
        return queries.health_of(CORA, BUSINESS, **options)


def case(visit_id=VISIT):
    with reading(BUSINESS):
        return queries.case_of(CORA, visit_id, TODAY)


def reads():
    with reading(BUSINESS):
        return list(HealthRead.objects.values_list("person_id", "client_id", "visit_id"))


def every_row_as_text():
    """All that the database holds of this business, as the app role sees it."""
    with reading(BUSINESS), connection.cursor() as cursor:
        found = {}
        for table in connection.introspection.table_names():
            cursor.execute("SELECT has_table_privilege(%s, 'SELECT')", [table])
            if cursor.fetchone()[0]:
                cursor.execute(f"SELECT t::text FROM {table} t")
                found[table] = "\n".join(row[0] for row in cursor.fetchall())
        return found


def test_what_was_said_and_seen_is_kept_in_order_with_who_and_when(db, now):
    ids = record(now)
    found = kept()
    assert [i.id for i in found] == ids
    assert [i.kind for i in found] == ["answer", "declaration", "finding"]
    assert found[2].content == {"code": "sunburn", "areas": ["sides_of_face"], "millimetres": None}
    assert {i.visit_id for i in found} == {VISIT}
    assert {i.recorded_by for i in found} == {uid("petra")}
    assert found[0].recorded_at == now


def test_nothing_of_it_can_be_read_from_the_tables(db, now):
    ids = record(now)
    strike(now, ids[2])
    rows = every_row_as_text()
    assert len(rows["clients_health_answer"].splitlines()) == 4
    # The postgres text of bytea is hexadecimal: the words must not be there in either form.
    for table, text in rows.items():
        for word in WORDS:
            assert word not in text, table
            assert word.encode().hex() not in text, table
    assert "Cora" in rows["clients_client"]


def test_the_chain_tells_that_and_how_much_was_kept_and_seals_the_rest(db, now):
    ids = record(now)
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT e.facts, p.client_id FROM ledger_entry e JOIN ledger_personal p"
            " USING (chain_id, n) WHERE e.kind = 'client.health_recorded' AND e.chain_id = %s",
            [LAKE],
        )
        ((facts, client_id),) = cursor.fetchall()
    assert client_id == CORA
    assert json.loads(facts) == {
        "client_id": str(CORA),
        "visit_id": str(VISIT),
        "count": 3,
        "kinds": ["answer", "declaration", "finding"],
        "item_ids": [str(i) for i in ids],
    }


def test_no_body_of_any_entity_and_no_feed_shows_health(call, now):
    record(now)
    call("petra").get(HEALTH)
    with reading(BUSINESS), connection.cursor() as cursor:
        for entity in ENTITIES.values():
            cursor.execute(f"SELECT ({entity.body})::text FROM {entity.table} e")
            bodies = "\n".join(row[0] for row in cursor.fetchall())
            assert not any(word in bodies for word in WORDS), entity.name
    for who in ("freya", "petra", "olga"):
        for path in (
            f"clients/{CORA}",
            "clients",
            f"feeds/{LAKE}/changes",
            f"clients/{CORA}/consents",
        ):
            text = call(who).get(path).content.decode()
            assert not any(word in text for word in WORDS), path


def test_who_works_on_the_client_reads_it_and_each_reading_is_recorded(call, now):
    record(now)
    answered = call("petra").get(HEALTH)
    assert answered.status_code == 200, answered.body
    assert [i["kind"] for i in answered.body["items"]] == ["answer", "declaration", "finding"]
    assert answered.body["items"][1]["content"]["kind"] == "isotretinoin"
    assert answered.body["unverified"] is None
    only = call("olga").get(f"{HEALTH}?visit_id={uuid4()}")
    assert only.body["items"] == []
    people = [who for who, client, _ in reads() if client == CORA]
    assert people == [uid("petra"), uid("olga")]


@pytest.mark.parametrize("who", ["freya", "inga"])
def test_the_desk_and_the_inspector_never_see_it(call, now, who):
    record(now)
    refused = call(who).get(HEALTH)
    assert (refused.status_code, refused.body["type"]) == (403, "/problems/not-allowed")
    assert reads() == []


@pytest.mark.parametrize("who", ["hana", "henk", "stranger"])
def test_another_place_and_another_business_do_not_see_it(call, now, who):
    record(now)
    assert call(who).get(HEALTH).status_code == 404
    assert reads() == []


def test_once_the_client_comes_there_the_other_place_sees_it(call, now):
    record(now)
    actions.link_client(actor=actor("hana"), now=now, client_id=CORA, location_id=HARBOR)
    assert len(call("hana").get(HEALTH).body["items"]) == 3


def test_a_wrong_item_is_struck_out_and_both_stay(call, now):
    ids = record(now)
    assert strike(now, ids[1], by="lena") == VISIT
    assert [i.id for i in kept()] == [ids[0], ids[2]]
    assert case().declarations == ()
    shown = call("petra").get(f"{HEALTH}?struck=true").body["items"]
    assert [i["id"] for i in shown] == [str(i) for i in ids]
    assert shown[0]["struck"] is None
    struck = shown[1]["struck"]
    assert (struck["reason"], struck["recorded_by"]) == ("wrong ear", str(uid("lena")))
    with pytest.raises(WrongState):
        strike(now, ids[1])


def test_a_strike_that_cannot_be_changes_nothing(db, now):
    ids = record(now)
    correction = HealthAnswer.objects
    strike(now, ids[0])
    with reading(BUSINESS):
        correction_id = correction.get(kind="correction").id
        before = correction.count()
    for wrong, problem in [
        ({"item_id": correction_id}, NotFound),  # a correction is not itself corrected
        ({"item_id": uuid4()}, NotFound),
        ({"item_id": ids[1], "client_id": uid("celia")}, NotFound),
        ({"item_id": ids[1], "reason": "  "}, InvalidInput),
        ({"item_id": ids[1], "place": HARBOR}, NotFound),
        ({"item_id": ids[1], "by": "hana", "place": HARBOR}, NotFound),
    ]:
        with pytest.raises(problem):
            strike(now, **wrong)
    with reading(BUSINESS):
        assert HealthAnswer.objects.count() == before


def test_nothing_kept_can_be_changed_by_the_programs_own_role(own_database, now):
    record(now)
    for statement in (
        "UPDATE clients_health_answer SET kind = 'answer'",
        "DELETE FROM clients_health_answer",
        "UPDATE clients_consent SET given = true",
        "DELETE FROM clients_health_read",
    ):
        with reading(BUSINESS), connection.cursor() as cursor:
            with pytest.raises(Exception, match="permission denied"):
                cursor.execute(statement)


def test_nothing_is_kept_where_it_cannot_be(db, now):
    items = queries.items_from(**SAID, today=TODAY)
    wrong = [
        ({"client_id": uuid4()}, NotFound),
        ({"location_id": HARBOR}, NotFound),
        ({"actor": stranger()}, NotFound),
        ({"items": []}, InvalidInput),
        ({"items": items * 400}, InvalidInput),
        ({"items": [HealthItem(kind="gossip", content={})]}, ValueError),
    ]
    good = {
        "actor": actor("petra"), "now": now, "client_id": CORA, "visit_id": VISIT,
        "location_id": LAKE, "items": items,
    }  # fmt: skip
    for given, problem in wrong:
        with pytest.raises(problem):
            actions.record_health(**(good | given))
    assert kept() == []


def test_a_few_statements_read_any_number_of_items(db, now):
    def statements():
        with CaptureQueriesContext(connection) as caught:
            case()
        return len(caught)

    record(now)
    few = statements()
    for _ in range(10):
        record(now, uuid4())
    assert statements() == few


def test_screening_goes_by_what_was_kept(db, now):
    # American Academy of Dermatology: no waxing while taking it (trade-facts.md 7.02).
    record(now)
    line = LineToScreen(
        key="lip", area="lip", method="hard_wax", on=TODAY, patch_test=PatchTest.NOT_NEEDED
    )

    def verdict(visit_id):
        found = case(visit_id)
        answers, said, seen = found.answers, found.declarations, found.findings
        screened = screen(
            rule_set=shipped_rule_set(), lines=[line], answers=answers, declarations=said,
            findings=seen, today=TODAY,
        )  # fmt: skip
        return screened["lip"]

    today = verdict(VISIT)
    assert not today.verdict.passes
    # A year later, at another visit: still declared, and every question open again.
    later = verdict(uuid4())
    assert not later.verdict.passes
    assert "isotretinoin" in {about for reason in later.reasons for about in reason.about}
    assert Verdict.ASK_FIRST in {reason.verdict for reason in later.reasons}


def test_with_the_key_destroyed_nothing_can_be_read_and_the_rows_stay(call, now):
    from spa_ops.tenancy.models import SubjectKey

    record(now)
    with reading(BUSINESS):
        SubjectKey.objects.filter(id=CORA).update(wrapped=None, destroyed_at=now)
    refused = call("petra").get(HEALTH)
    assert (refused.status_code, refused.body["type"]) == (410, "/problems/erased")
    assert reads() == []
    with pytest.raises(Erased):
        record(now)
    with reading(BUSINESS):
        assert HealthAnswer.objects.filter(client_id=CORA).count() == 3


def test_words_from_an_import_are_shown_as_not_verified(call, now):
    with reading(BUSINESS):
        (sealed,) = seal_each(BUSINESS, CORA, [b"allergic to rosin, says the old file"])
        Client.objects.filter(id=CORA).update(unverified_health=sealed)
    found = call("petra").get(HEALTH).body
    assert (found["unverified"], found["items"]) == ("allergic to rosin, says the old file", [])
    assert case().declarations == ()


def test_two_tablets_at_once_keep_every_item_in_one_order(own_database, now):
    def write(n):
        try:
            record(now, answers=[{"question": "sun", "answer": "yes" if n % 2 else "no"}])
        finally:
            connection.close()

    threads = [threading.Thread(target=write, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = kept()
    assert len(found) == len({i.recorded_at for i in found}) == 8
    assert case().answers["sun"] == found[-1].content["answer"]
