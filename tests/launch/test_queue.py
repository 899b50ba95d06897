"""The queue inside the database, with real workers, one of which is killed in the middle."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from spa_ops.launch import queue_schema
from spa_ops.launch.databases import Database
from tests.launch.test_databases import fresh  # noqa: F401 - a fixture

ROOT = Path(__file__).resolve().parents[2]
TASKS = 200
WORKER = [
    "worker",
    "--concurrency",
    "2",
    "--without-gossip",
    "--without-mingle",
    "--without-heartbeat",
]
SEND = f"from tests.launch.queue_trial import work; [work.delay(n) for n in range({TASKS})]"


@pytest.fixture
def trial(fresh: Database) -> Iterator[dict[str, str]]:  # noqa: F811
    """The variables for the trial's processes, on a database with the queue and a table for marks."""
    queue_schema.prepare(fresh.owner_url)
    with psycopg.connect(fresh.owner_url) as owner:
        owner.execute("CREATE TABLE done (number int, at timestamptz DEFAULT clock_timestamp())")
        owner.execute("GRANT SELECT, INSERT ON done TO spa_ops_app")
    yield {**os.environ, "TRIAL_DATABASE_URL": fresh.app_url, "SPA_OPS_ENV": "test"}


def start_worker(environment: dict[str, str], name: str, log: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "celery", "-A", "tests.launch.queue_trial", *WORKER]
    with log.open("wb") as words:
        return subprocess.Popen(
            [*command, "--hostname", name],
            cwd=ROOT,
            env=environment,
            stdout=words,
            stderr=words,
            start_new_session=True,
        )


def counts(connection: psycopg.Connection) -> tuple[int, int]:
    row = connection.execute("SELECT count(*), count(DISTINCT number) FROM done").fetchone()
    assert row is not None
    return row


def wait_for(connection: psycopg.Connection, different: int, log: Path) -> None:
    deadline = time.monotonic() + 180
    while counts(connection)[1] < different:
        assert time.monotonic() < deadline, (counts(connection), log.read_text())
        time.sleep(0.1)


def test_no_task_is_lost_when_a_worker_is_killed(trial: dict[str, str], tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-c", SEND], cwd=ROOT, env=trial, check=True)
    log = tmp_path / "second.log"
    first = start_worker(trial, "first", tmp_path / "first.log")
    second = start_worker(trial, "second", log)
    try:
        with psycopg.connect(trial["TRIAL_DATABASE_URL"], autocommit=True) as connection:
            wait_for(connection, TASKS // 4, log)
            os.killpg(first.pid, signal.SIGKILL)
            wait_for(connection, TASKS, log)
            done, different = counts(connection)
            # What the killed worker had in hand may be done twice: tasks are made for that.
            assert different == TASKS
            assert done <= TASKS + 4
            second.terminate()
            assert second.wait(60) == 0
            row = connection.execute("SELECT queue_length FROM pgmq.metrics('spa_ops')").fetchone()
            assert row == (0,)
    finally:
        for worker in (first, second):
            if worker.poll() is None:
                os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
