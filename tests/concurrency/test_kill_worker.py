"""Workers killed, queues emptied, clocks set back: afterwards everything due is done, once.

Celery may lose, delay or repeat a message, and a worker may die in the middle. The counts come from
SQL over the tables, and each test prints its own.
"""

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from django.db import connection

from compliance.disinfection import tasks as disinfection
from compliance.disinfection.models import Implement, Kit, Solution
from rooms.tasks import flag_rooms
from services.tasks import sweep_due_checks
from spa_ops.kernel import clock
from spa_ops.unit.work import reading
from tests.concurrency.invariants import count, flaws
from tests.concurrency.workers import Background, background_of, wait_until
from tests.world import BUSINESS, LAKE, uid

pytestmark = pytest.mark.acceptance

MANY = 10_000
EXPIRE, SWEEP = "disinfection.tasks.expire_solutions", "services.tasks.sweep_due_checks"
OURS = "container LIKE 'due %%'"
OPEN, ENDED = f"{OURS} AND ended_at IS NULL", f"{OURS} AND ended_at IS NOT NULL"
ENTRIES = (
    f"kind = 'solution.ended' AND subject_id IN (SELECT id FROM disinfection_solution WHERE {OURS})"
)
#: An entry that says another end than the window's, or claims to have been recorded in time.
WRONGLY_TOLD = (
    "SELECT count(*) FROM ledger_entry e JOIN disinfection_solution s ON s.id = e.subject_id "
    f"WHERE e.kind = 'solution.ended' AND {OURS} AND ("
    "(e.facts::jsonb ->> 'ended_at')::timestamptz <> s.discard_at OR s.ended_at <> s.discard_at "
    "OR e.facts::jsonb ->> 'reason' <> 'window_over' OR e.recorded_at < s.discard_at + interval '1 hour')"
)


def due_baths(many: int) -> int:
    """Baths whose windows ended from five hours ago on, one a second."""
    now = clock.now()
    with reading(BUSINESS):
        rows = [
            Solution(
                business_id=BUSINESS,
                version=1,
                location_id=LAKE,
                product_id=uid("quat"),
                container=f"due {n}",
                mixed_at=now - timedelta(days=2),
                concentrate_ml=60,
                water_ml=960,
                pour="ok",
                contact_seconds=600,
                discard_at=now - timedelta(hours=5) + timedelta(seconds=n),
            )
            for n in range(many)
        ]
        return len(Solution.objects.bulk_create(rows, batch_size=500))


def soiled_kits(many: int) -> int:
    """Kits of one implement each that have stood soiled for five hours."""
    common = {"business_id": BUSINESS, "location_id": LAKE}
    since = clock.now() - timedelta(hours=5)
    with reading(BUSINESS):
        kits = [Kit(**common, version=1, name=f"due {n}", kind="brow") for n in range(many)]
        Kit.objects.bulk_create(kits, batch_size=500)
        rows = [
            Implement(
                **common, kit=kit, tag=kit.name, name="tweezers", kind="immersible", since=since
            )
            for kit in kits
        ]
        return len(Implement.objects.bulk_create(rows, batch_size=500))


def sql(statement: str, **values: object) -> int:
    values = {"business": BUSINESS, "place": LAKE, "product": uid("quat"), "now": clock.now()} | values  # fmt: skip
    with reading(BUSINESS), connection.cursor() as cursor:
        cursor.execute(statement, values)
        return int(cursor.fetchone()[0]) if cursor.description else cursor.rowcount


def baths(condition: str) -> int:
    return count(BUSINESS, "disinfection_solution", condition.replace("%%", "%"))


def all_ended_once(expected: int = MANY) -> dict[str, int]:
    found = {
        "ended": baths(ENDED),
        "entries": count(BUSINESS, "ledger_entry", ENTRIES.replace("%%", "%")),
        "wrongly told": sql(WRONGLY_TOLD),
        "distinct": sql(f"SELECT count(DISTINCT subject_id) FROM ledger_entry WHERE {ENTRIES}"),
    }
    assert found == {
        "ended": expected,
        "entries": expected,
        "wrongly told": 0,
        "distinct": expected,
    }
    chain = [flaw for flaw in flaws(BUSINESS, LAKE) if flaw[0] == "a chain is broken"]
    assert chain == []
    return found


@pytest.fixture
def offset(tmp_path: Path) -> Path:
    """The clock of the processes, five hours after the baths' first end."""
    file = tmp_path / "offset"
    file.write_text(str((clock.now() - datetime.now(UTC)).total_seconds()))
    return file


@pytest.fixture(params=["redis", "the database"])
def background(request, own_database, tmp_path, offset, monkeypatch) -> Iterator[Background]:
    yield from background_of(request.param, tmp_path, offset, monkeypatch)


@pytest.fixture
def on_redis(own_database, tmp_path, offset, monkeypatch) -> Iterator[Background]:
    yield from background_of("redis", tmp_path, offset, monkeypatch)


def test_a_worker_killed_among_ten_thousand_due_baths(background):
    assert due_baths(MANY) == MANY
    first = background.worker()
    background.announce(EXPIRE)
    wait_until(lambda: baths(ENDED) >= MANY // 4, background)
    background.kill(first)
    connection.close()
    wait_until_sessions_end()
    killed_at = baths(ENDED)
    assert 0 < killed_at < MANY, "it was too fast to be killed in the middle"
    # What it had in hand is whole or was never there: entries and rows agree before anybody goes on.
    assert count(BUSINESS, "ledger_entry", ENTRIES.replace("%%", "%")) == killed_at
    background.worker()
    background.beat()
    wait_until(lambda: baths(OPEN) == 0, background)
    print(f"\nkilled with {killed_at} of {MANY} ended; then {all_ended_once()}")


def wait_until_sessions_end() -> None:
    """Until no transaction of a killed worker is open any more."""
    for _ in range(600):
        busy = sql(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
            "AND pid <> pg_backend_pid() AND state <> 'idle'"
        )
        if busy == 0:
            return
        time.sleep(0.05)
    pytest.fail("sessions of killed processes stay")


def test_two_beats_two_workers_and_repeated_messages(background):
    assert due_baths(MANY) == MANY
    assert soiled_kits(1000) == 1000
    for start in (background.worker, background.worker, background.beat, background.beat):
        start()
    background.announce(EXPIRE, times=6)
    background.announce(SWEEP, times=6)
    raised = "kind = 'kit_soiled' AND what LIKE 'due %'"
    wait_until(
        lambda: baths(OPEN) == 0 and count(BUSINESS, "services_due_check", raised) == 1000,
        background,
    )
    found = all_ended_once()
    entries = sql(
        "SELECT count(*) FROM ledger_entry e JOIN services_due_check c ON c.subject_id = e.subject_id "
        "WHERE e.kind = 'due_check.raised' AND c.kind = 'kit_soiled' AND c.what LIKE 'due %%'"
    )
    late = count(BUSINESS, "services_due_check", f"{raised} AND late AND level = 3")
    assert (entries, late) == (1000, 1000)
    print(f"\ntwo beats, two workers, 12 messages: {found}, due checks {entries}, late {late}")


def test_an_emptied_redis_delays_and_loses_nothing(on_redis):
    assert due_baths(MANY) == MANY
    # Announced and lost before any worker was there.
    on_redis.announce(EXPIRE, times=3)
    lost = on_redis.empty_the_queue()
    assert lost > 0
    on_redis.worker()
    on_redis.beat()
    wait_until(lambda: baths(ENDED) > 0, on_redis)
    # And once more in the middle.
    on_redis.empty_the_queue()
    wait_until(lambda: baths(OPEN) == 0, on_redis)
    print(f"\nRedis emptied twice, {lost} keys the first time: {all_ended_once()}")


def test_a_clock_set_back_by_an_hour_does_nothing_twice_and_takes_nothing_back(own_database):
    now = clock.now()
    assert due_baths(1000) == 1000
    assert soiled_kits(200) == 200
    sweeps = (
        disinfection.expire_solutions,
        disinfection.end_shelf_lives,
        flag_rooms,
        sweep_due_checks,
    )

    def swept(at: datetime) -> int:
        with clock.stopped_at(at):
            return sum(sweep() for sweep in sweeps)

    assert swept(now) >= 1200
    levels = "SELECT coalesce(sum(level), 0) FROM services_due_check"
    before = (sql("SELECT count(*) FROM ledger_entry"), sql(levels), baths(ENDED))
    for minutes in (60, 59, 30):
        assert swept(now - timedelta(minutes=minutes)) == 0
    assert swept(now) == 0
    assert (sql("SELECT count(*) FROM ledger_entry"), sql(levels), baths(ENDED)) == before
    print(
        f"\nclock back an hour and forth: {all_ended_once(1000)}, entries {before[0]} before and after"
    )
