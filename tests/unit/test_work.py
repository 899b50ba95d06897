"""The unit of work: what commits together, what a rolled-back part drops, keyed repeats."""

import json
import threading
from uuid import UUID

import psycopg
import pytest
from django.db import OperationalError, connection, connections, transaction

from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Person
from spa_ops.unit.problems import KeyReused, RequestInProgress
from spa_ops.unit.work import (
    Outcome,
    RequestKey,
    action,
    current,
    reading,
    run,
    set_business,
    snapshot,
)
from tests import world
from tests.world import BUSINESS, LAKE, actor


def _counts() -> dict[str, int]:
    with reading(BUSINESS), connection.cursor() as cursor:
        found = {}
        for table in ("ledger_entry", "sync_change", "tenancy_person", "unit_stored_outcome"):
            cursor.execute(f"SELECT count(*) FROM {table}")
            found[table] = cursor.fetchone()[0]
        return found


def test_an_action_writes_row_evidence_and_change_together(db, now):
    before = _counts()
    tenancy.add_person(actor=actor("olga"), now=now, name="Invented Nell")
    after = _counts()
    assert {k: after[k] - before[k] for k in after} == {
        "ledger_entry": 1,
        "sync_change": 1,
        "tenancy_person": 1,
        "unit_stored_outcome": 0,
    }


def test_what_a_rolled_back_inner_action_collected_is_dropped(db, now):
    @action
    def inner(*, actor, now):
        tenancy.add_person(actor=actor, now=now, name="Invented Nell")
        raise NotFound

    @action
    def outer(*, actor, now):
        tenancy.add_person(actor=actor, now=now, name="Invented Ned")
        with pytest.raises(NotFound):
            inner(actor=actor, now=now)
        return len(current().collected)

    before = _counts()
    assert outer(actor=actor("olga"), now=now) == 2
    after = _counts()
    assert after["tenancy_person"] - before["tenancy_person"] == 1
    assert after["ledger_entry"] - before["ledger_entry"] == 1


def test_a_failed_action_leaves_nothing(db, now):
    @action
    def fails(*, actor, now):
        tenancy.add_person(actor=actor, now=now, name="Invented Nell")
        raise NotFound

    before = _counts()
    with pytest.raises(NotFound):
        fails(actor=actor("olga"), now=now)
    assert _counts() == before


def _add(name, key, digest=b"d"):
    def body():
        person = tenancy.add_person(actor=actor("olga"), now=world.clock.now(), name=name)
        return Outcome(status=201, entity="person", entity_id=person.id, version=person.version)

    return run(
        body, actor=actor("olga"), now=world.clock.now(), key=RequestKey(key=key, digest=digest)
    )


def test_a_repeated_key_gives_the_stored_outcome_and_does_nothing_again(db):
    first = _add("Invented Nell", "k1")
    before = _counts()
    again = _add("Invented Nell", "k1")
    assert again.replayed
    assert again.entity_id == first.entity_id
    assert _counts() == before
    with pytest.raises(KeyReused):
        _add("Invented Nell", "k1", digest=b"other")


def test_a_refusal_is_stored_and_replayed_without_its_effects(db, now):
    def body():
        tenancy.add_person(actor=actor("olga"), now=now, name="Invented Nell")
        raise NotFound

    key = RequestKey(key="k2", digest=b"d")
    before = _counts()
    for _ in range(2):
        with pytest.raises(NotFound):
            run(body, actor=actor("olga"), now=now, key=key)
    after = _counts()
    assert after == before | {"unit_stored_outcome": before["unit_stored_outcome"] + 1}


def test_a_running_twin_is_told_to_wait(own_database, now):
    inside, go_on = threading.Event(), threading.Event()

    def body():
        inside.set()
        assert go_on.wait(10)
        return Outcome(status=200)

    def first():
        run(body, actor=actor("olga"), now=now, key=RequestKey(key="k3", digest=b"d"))
        connection.close()

    thread = threading.Thread(target=first)
    thread.start()
    assert inside.wait(10)
    try:
        with pytest.raises(RequestInProgress):
            run(body, actor=actor("olga"), now=now, key=RequestKey(key="k3", digest=b"d"))
    finally:
        go_on.set()
        thread.join(10)
    replay = run(body, actor=actor("olga"), now=now, key=RequestKey(key="k3", digest=b"d"))
    assert replay.replayed


def test_no_constraint_is_checked_at_commit(db):
    # A deferred foreign key locks its parent after the feed row: seen to deadlock.
    with connection.cursor() as cursor:
        cursor.execute("SELECT conname FROM pg_constraint WHERE condeferred OR condeferrable")
        assert cursor.fetchall() == []


def test_every_row_is_seen_by_its_own_business_only(own_database, now):
    tenancy.add_person(actor=world.stranger(), now=now, name="Invented Zora")
    with transaction.atomic():
        assert Person.objects.count() == 0
    with reading(BUSINESS):
        assert not Person.objects.filter(name="Invented Zora").exists()
    with connection.cursor() as cursor, pytest.raises(psycopg.Error), transaction.atomic():
        cursor.execute("SELECT set_config('spa.business', %s, true)", [str(BUSINESS)])
        try:
            cursor.execute(
                "INSERT INTO tenancy_person (id, business_id, version, name, login, password_hash, pin_hash, active)"
                " VALUES (%s, %s, 1, 'x', NULL, '', '', true)",
                [uuid7(), world.OTHER],
            )
        except Exception as error:
            raise error.__cause__ from None


def test_the_business_is_known_for_one_transaction_whatever_began_it(own_database):
    def known():
        with connection.cursor() as cursor:
            cursor.execute("SELECT current_setting('spa.business', true)")
            return cursor.fetchone()[0]

    with reading(BUSINESS):
        assert UUID(known()) == BUSINESS
        set_business(None)
        assert known() == ""
        set_business(world.OTHER)
        assert UUID(known()) == world.OTHER
    assert not known()
    with snapshot(BUSINESS):
        assert UUID(known()) == BUSINESS
        with connection.cursor() as cursor:
            cursor.execute("SHOW transaction_isolation")
            assert cursor.fetchone()[0] == "repeatable read"
    assert not known()
    # What is no id never reaches the server.
    with pytest.raises(AttributeError), reading("'; DROP TABLE tenancy_person; --"):
        pass
    with reading(BUSINESS):
        assert Person.objects.exists()


def test_a_connection_lost_before_a_transaction_is_told_and_made_anew(own_database):
    with reading(BUSINESS):
        lost = connection.connection.info.backend_pid
    with connections["owner"].cursor() as cursor:
        cursor.execute("SELECT pg_terminate_backend(%s, 5000)", [lost])
        assert cursor.fetchone()[0]
    with pytest.raises(OperationalError), reading(BUSINESS):
        pass
    with reading(BUSINESS):
        assert Person.objects.exists()
        assert connection.connection.info.backend_pid != lost


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE ledger_entry SET kind = 'x'",
        "DELETE FROM ledger_entry",
        "TRUNCATE ledger_entry",
        "INSERT INTO ledger_head (chain_id, business_id, n) VALUES (gen_random_uuid(), gen_random_uuid(), 1)",
        "UPDATE ledger_head SET n = 0",
        "UPDATE sync_feed SET head = 0",
        "DELETE FROM sync_change",
        "ALTER TABLE ledger_entry DISABLE TRIGGER ALL",
        "DELETE FROM tenancy_person",
    ],
)
def test_the_programs_own_role_cannot_change_what_was_recorded(own_database, statement):
    with reading(BUSINESS), connection.cursor() as cursor:
        with pytest.raises(Exception, match=r"permission denied|append-only|must be owner"):
            cursor.execute(statement)


def test_even_the_owner_is_refused_by_the_trigger(own_database):
    with connections["owner"].cursor() as cursor:
        cursor.execute("SELECT set_config('spa.business', %s, false)", [str(BUSINESS)])
        with pytest.raises(Exception, match="append-only"):
            cursor.execute("UPDATE ledger_entry SET kind = 'x'")


def _lengths_at_lake() -> tuple[int, int]:
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(
            "SELECT (SELECT count(*) FROM ledger_entry WHERE chain_id = %s),"
            " (SELECT count(*) FROM sync_change WHERE feed_id = %s)",
            [LAKE, LAKE],
        )
        return cursor.fetchone()


def test_sixteen_writers_make_one_chain_and_one_gapless_feed(own_database, now):
    before = _lengths_at_lake()

    def write(i):
        try:
            tenancy.change_location(
                actor=actor("olga"), now=now, location_id=LAKE, name=f"Lake {i}"
            )
        finally:
            connection.close()

    threads = [threading.Thread(target=write, args=(i,)) for i in range(16)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute("SELECT n FROM ledger_entry WHERE chain_id = %s ORDER BY n", [LAKE])
        numbers = [r[0] for r in cursor.fetchall()]
        assert numbers == list(range(1, before[0] + 17))
        cursor.execute("SELECT seq FROM sync_change WHERE feed_id = %s ORDER BY seq", [LAKE])
        assert [r[0] for r in cursor.fetchall()] == list(range(1, before[1] + 17))
        cursor.execute(
            "SELECT header, encode(hash, 'hex') FROM ledger_entry WHERE chain_id = %s ORDER BY n",
            [LAKE],
        )
        rows = cursor.fetchall()
    for (_, digest), (header, _) in zip(rows, rows[1:], strict=False):
        assert json.loads(header)["prev_hash"] == digest
