"""Who read health answers: listed for those who answer for it, digested day by day, checked again."""

import threading
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from io import StringIO

import pytest
import rfc8785
from django.core.management import CommandError, call_command
from django.db import connection, connections
from hypothesis import given
from hypothesis import strategies as st

from clients import actions, queries, queries_reads
from clients.actions_reads import MOST_DAYS, digest_health_reads
from clients.models import HealthRead
from clients.rules.reads import SETTLED_AFTER, digest_of, is_settled
from clients.tasks import digest_reads
from compliance.ledger.queries import verification
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, actor, uid

CORA, VISIT = uid("cora"), uid("a visit")
#: The day of NOON at Lake (America/Chicago, UTC-5 in summer) is over at 05:00 UTC of the next.
OVER = datetime(2026, 5, 7, 5, 0, tzinfo=UTC)
SETTLED = OVER + SETTLED_AFTER


def read(at, by="petra"):
    actions.read_health(actor=actor(by), now=at, client_id=CORA)


def digest(at, location_id=LAKE):
    return digest_health_reads(actor=system_actor(BUSINESS), now=at, location_id=location_id)


def days(chain_id=LAKE):
    with reading(BUSINESS):
        return list(queries_reads.days_digested(chain_id))


def flaws(chain_id=LAKE):
    with reading(BUSINESS):
        return queries_reads.digest_flaws(BUSINESS, chain_id)


def tampered(sql, *values):
    """What somebody with the database's own password could do: past the trigger."""
    with connections["owner"].cursor() as cursor:
        # The policies bind the owner of the tables too, where the owner is no superuser.
        cursor.execute("SELECT set_config('spa.business', %s, false)", [str(BUSINESS)])
        cursor.execute("ALTER TABLE clients_health_read DISABLE TRIGGER append_only")
        cursor.execute(sql, values)
        assert cursor.rowcount == 1
        cursor.execute("ALTER TABLE clients_health_read ENABLE TRIGGER append_only")


def test_a_day_gets_its_entry_once_it_is_over_and_settled(db, now):
    read(now)
    read(now + timedelta(minutes=1), by="lena")
    assert digest(SETTLED - timedelta(microseconds=1)) == 0
    assert digest(SETTLED) == 1
    assert digest(SETTLED) == 0
    (found,) = days()
    assert (found["day"], found["count"]) == ("2026-05-06", 2)
    assert (found["from_at"], found["until_at"]) == ("2026-05-06T05:00:00.000000Z", rfc3339(OVER))
    assert flaws() == []


def test_the_digest_is_what_the_standards_say_of_the_rows(db, now):
    read(now)
    read(now + timedelta(minutes=1))
    digest(SETTLED)
    with reading(BUSINESS):
        rows = HealthRead.objects.order_by("read_at", "id").values()
        # RFC 8785 by another library; SHA-256 (FIPS 180-4) by Python.
        texts = [
            {k: rfc3339(v) if k == "read_at" else v and str(v) for k, v in row.items() if k != "business_id"}
            for row in rows
        ]  # fmt: skip
    expected = sha256(b"".join(rfc8785.dumps(text) + b"\n" for text in texts)).hexdigest()
    assert days()[0]["digest"] == expected


def test_the_first_and_last_instant_of_a_local_day_are_of_that_day(db):
    start = datetime(2026, 5, 6, 5, 0, tzinfo=UTC)
    for at in (start, OVER - timedelta(microseconds=1), OVER):
        read(at)
    assert digest(SETTLED + timedelta(days=1)) == 2
    assert [d["count"] for d in days()] == [2, 1]
    assert flaws() == []


def test_late_days_are_caught_up_once_each_and_days_without_reads_have_one_too(db, now):
    read(now)
    late = SETTLED + timedelta(days=40)
    assert [digest(late), digest(late), digest(late)] == [MOST_DAYS, 41 - MOST_DAYS, 0]
    found = days()
    assert [date.fromisoformat(d["day"]) for d in found] == [
        date(2026, 5, 6) + timedelta(days=n) for n in range(41)
    ]
    assert [d["count"] for d in found] == [1] + [0] * 40
    assert found[1]["digest"] == sha256().hexdigest()
    assert flaws() == []


def test_a_day_of_25_hours_is_one_day(db):
    # Clocks go back in Chicago on 2026-11-01 (IANA tz database).
    read(datetime(2026, 11, 1, 5, 0, tzinfo=UTC))
    read(datetime(2026, 11, 2, 5, 59, tzinfo=UTC))
    assert digest(datetime(2026, 11, 2, 7, 0, tzinfo=UTC)) == 1
    assert [d["count"] for d in days()] == [2]


def test_a_place_that_changes_its_zone_leaves_no_gap_and_no_overlap(db, now):
    read(now)
    digest(SETTLED)
    with reading(BUSINESS):
        Location.objects.filter(id=LAKE).update(zone="Pacific/Auckland")
    read(OVER + timedelta(minutes=1))
    digest(SETTLED + timedelta(days=3))
    found = days()
    assert all(a["until_at"] == b["from_at"] for a, b in zip(found, found[1:], strict=False))
    assert sum(d["count"] for d in found) == 2
    assert flaws() == []


def test_reads_by_who_has_all_locations_are_in_the_businesss_own_chain(db, now):
    read(now, by="olga")
    assert digest(SETTLED) == 0
    # In UTC: that day is over at midnight.
    assert digest(datetime(2026, 5, 7, 1, 0, tzinfo=UTC), location_id=None) == 1
    assert [d["count"] for d in days(BUSINESS)] == [1]
    assert flaws(BUSINESS) == []


def test_nobody_read_anything_and_nothing_is_written(db, now):
    assert digest(now + timedelta(days=400)) == 0
    assert flaws() == []


def test_the_task_sweeps_every_place_and_is_safe_to_run_twice(db, now):
    read(now)
    read(now, by="olga")
    with clock.stopped_at(SETTLED):
        assert (digest_reads(), digest_reads()) == (2, 0)
    with reading(BUSINESS):
        assert verification(BUSINESS, LAKE).is_whole


@pytest.fixture
def digested(own_database, now):
    """A day with three reads and its digest, committed."""
    for n in range(3):
        read(now + timedelta(minutes=n))
    digest(SETTLED)
    with reading(BUSINESS):
        return list(HealthRead.objects.order_by("read_at"))


def test_a_removed_read_is_found(digested):
    tampered("DELETE FROM clients_health_read WHERE id = %s", digested[1].id)
    assert flaws() == ["2026-05-06: 3 reads were recorded, now there are 2"]
    with pytest.raises(CommandError, match="1 flaws"):
        call_command("verify_health_reads", stdout=StringIO())


@pytest.mark.parametrize("column", ["person_id", "client_id", "visit_id", "device_id"])
def test_a_changed_read_is_found(digested, column):
    other = uid("celia")
    tampered(f"UPDATE clients_health_read SET {column} = %s WHERE id = %s", other, digested[1].id)
    assert flaws() == ["2026-05-06: a read is not as it was recorded"]


def test_a_read_that_is_moved_away_or_added_later_is_found(digested, now):
    read(now + timedelta(minutes=30))
    assert flaws() == ["2026-05-06: 3 reads were recorded, now there are 4"]
    read(now - timedelta(days=9))
    assert len(flaws()) == 2


def test_the_command_is_content_with_what_was_recorded(digested):
    said = StringIO()
    call_command("verify_health_reads", stdout=said)
    assert f"{LAKE}: 1 days, 0 flaws" in said.getvalue()


def test_two_sweeps_at_once_digest_a_day_once(own_database, now):
    read(now)
    done, together = [], threading.Barrier(2)

    def sweep():
        together.wait()
        try:
            done.append(digest(SETTLED))
        finally:
            connection.close()

    threads = [threading.Thread(target=sweep) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(done) == [0, 1]
    assert len(days()) == 1


def test_those_who_answer_for_it_see_who_read_what_when(call, now):
    path = f"clients/{CORA}/health-reads"
    assert call("petra").get(f"clients/{CORA}/health?visit_id={VISIT}").status_code == 200
    assert call("olga").get(f"clients/{CORA}/health").status_code == 200
    for name in ("lena", "olga"):
        found = call(name).get(path).body["items"]
        assert [(i["person_id"], i["person_name"], i["visit_id"]) for i in found] == [
            (str(uid("petra")), "Petra", str(VISIT)),
            (str(uid("olga")), "Olga", None),
        ]
        assert found[0]["read_at"] == rfc3339(now)
    assert call("petra").get(path).status_code == 403
    # Not known at Harbor: not there.
    assert call("henk").get(path).status_code == 404
    assert call("stranger").get(path).status_code == 404
    assert call("lena").get(f"clients/{uid('nobody')}/health-reads").status_code == 404


@given(st.lists(st.integers(0, 9), max_size=8), st.integers(0, 9))
def test_another_row_another_digest(numbers, more):
    rows = [{"id": n} for n in numbers]
    assert digest_of(rows) == digest_of(list(rows))
    assert digest_of([*rows, {"id": more}]) != digest_of(rows)
    assert digest_of(rows)[0] == len(rows)


@given(st.datetimes(timezones=st.just(UTC), max_value=datetime(2999, 1, 1)))
def test_a_day_settles_exactly_an_hour_after_its_end(end):
    assert is_settled(end, end + SETTLED_AFTER)
    assert not is_settled(end, end + SETTLED_AFTER - timedelta(microseconds=1))


def test_reading_changes_nothing_that_is_kept(db, now):
    read(now)
    with reading(BUSINESS):
        assert queries.health_of(CORA, BUSINESS) == []
