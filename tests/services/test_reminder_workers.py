"""The reminder job as the program runs it: real Celery workers over a real Redis."""

import subprocess
import sys
import time
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest
from celery import Celery

from spa_ops.launch.redis_server import redis_for_use
from tests.services import builders as build
from tests.services.processes import environment
from tests.services.test_reminders import DUE, log, waiting

TASK = "services.tasks.send_due_reminders"
PATIENCE_SECONDS = 150


@contextmanager
def worker(env, log_file):
    """A worker of two processes until the block is left; all it says goes to `log_file`."""
    command = [sys.executable, "-m", "celery", "-A", "spa_ops.celery", "worker", "-c", "2"]
    with log_file.open("wb") as out:
        running = subprocess.Popen([*command, "-l", "INFO"], env=env, stdout=out, stderr=out)
        try:
            yield
        finally:
            running.terminate()
            running.wait(PATIENCE_SECONDS)


def announce(url, prefix, times):
    """Say that many times that reminders may be due."""
    app = Celery("announcer", broker=url, set_as_current=False)
    app.conf.broker_transport_options = {"global_keyprefix": prefix}
    with app.connection_for_write() as connection:
        for _ in range(times):
            app.send_task(TASK, queue="spa_ops", connection=connection, ignore_result=True)


@pytest.mark.acceptance
def test_real_worker_processes_send_each_reminder_once(own_database, tmp_path):
    rows, prefix = [waiting() for _ in range(12)], f"{own_database}:"
    offset, log_file = tmp_path / "offset", tmp_path / "log"
    offset.write_text(str((DUE - datetime.now(UTC)).total_seconds()))
    with redis_for_use() as redis:
        env = environment(
            REDIS_URL=redis.url,
            SPA_OPS_REDIS_PREFIX=prefix,
            SPA_OPS_CLOCK_OFFSET_FILE=str(offset),
        )
        with worker(env, log_file):
            announce(redis.url, prefix, times=4)
            give_up = time.monotonic() + PATIENCE_SECONDS
            while build.rebookings(state="waiting") and time.monotonic() < give_up:
                time.sleep(0.2)
        # A worker that is asked to stop finishes what it has begun.
    printed = log_file.read_text()
    assert [r.state for r in build.rebookings()] == ["sent"] * len(rows), printed
    assert printed.count("your next visit is due around 3 June 2026") == len(rows)
    assert len(log("reminder.sent")) == len(rows)
