"""`kill -9` of the whole web in the middle of 500 bookings: what was acknowledged is there, once."""

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from django.db import connections

from spa_ops.kernel import clock
from spa_ops.launch.instance import ROOT, answers
from spa_ops.launch.redis_server import free_port
from tests.callers import secret_of
from tests.concurrency.invariants import count, flaws
from tests.concurrency.test_booking_races import slots
from tests.world import BUSINESS, LAKE, uid

pytestmark = pytest.mark.acceptance

BOOKINGS, CALLERS, WORKERS = 500, 8, 4
START_SECONDS = 90


@dataclass(slots=True, kw_only=True)
class Web:
    """gunicorn with sync workers, in a process group of its own."""

    environment: dict[str, str]
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "gunicorn", "spa_ops.wsgi:application"]
        command += ["--bind", f"127.0.0.1:{self.port}", "--workers", str(WORKERS)]
        command += ["--no-control-socket", "--log-level", "warning"]
        self.process = subprocess.Popen(
            command, cwd=ROOT, env=self.environment, start_new_session=True
        )
        deadline = time.monotonic() + START_SECONDS
        while not answers(f"http://127.0.0.1:{self.port}/api/v1/health"):
            assert self.process.poll() is None, "the web ended by itself"
            assert time.monotonic() < deadline, "the web did not answer"
            time.sleep(0.1)

    def kill(self) -> None:
        """Master and workers at once, without a word."""
        assert self.process is not None
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(30)


@pytest.fixture
def web(own_database, tmp_path) -> Iterator[Web]:
    """The web on the test's database; its clock runs on from the tests' moment."""
    offset = tmp_path / "offset"
    offset.write_text(str((clock.now() - datetime.now(UTC)).total_seconds()))
    one = Web(environment=_environment(own_database, offset))
    try:
        yield one
    finally:
        if one.process is not None and one.process.poll() is None:
            one.kill()


def _environment(database: str, offset: Path) -> dict[str, str]:
    return {
        **os.environ,
        "SPA_OPS_ENV": "test",
        "DATABASE_URL": _url("default", database),
        "DATABASE_OWNER_URL": _url("owner", database),
        "SPA_OPS_CLOCK_OFFSET_FILE": str(offset),
        "SPA_OPS_REQUESTS_PER_MINUTE": "1000000",
    }


def _url(alias: str, database: str) -> str:
    login = connections[alias].settings_dict
    who = quote(login["USER"]) + (":" + quote(login["PASSWORD"]) if login["PASSWORD"] else "")
    # The host may be a folder with a socket: as a parameter it is taken either way.
    words = {"host": login["HOST"]} | ({"port": login["PORT"]} if login["PORT"] else {})
    return f"postgresql://{who}@/{database}?{urlencode(words)}"


def bookings() -> list[dict[str, Any]]:
    """500 visits that do not touch each other, on two chairs."""
    chairs = (("petra", "room 1", "cora"), ("lena", "room 2", "celia"))
    return [
        {
            "client_id": str(uid(client)),
            "lines": [
                {
                    "service_id": str(uid("lip wax")),
                    "practitioner_id": str(uid(who)),
                    "room_id": str(uid(room)),
                    "starts_at": (start + timedelta(minutes=5 * chair)).isoformat(),
                }
            ],
        }
        for start in islice(slots(), BOOKINGS // 2)
        for chair, (who, room, client) in enumerate(chairs)
    ]


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    body: dict[str, Any]
    replayed: bool


def ask(port: int, secret: str, key: str, data: dict[str, Any]) -> Answer | None:
    """What the web answered; None where the answer did not come, or not whole."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    headers = {
        "Authorization": f"Bearer {secret}",
        "Content-Type": "application/json",
        "Idempotency-Key": key,
    }
    try:
        connection.request("POST", f"/api/v1/locations/{LAKE}/visits", json.dumps(data), headers)
        response = connection.getresponse()
        replayed = response.headers.get("Idempotency-Replayed") == "true"
        return Answer(response.status, json.loads(response.read()), replayed)
    except (OSError, http.client.HTTPException, ValueError):
        return None
    finally:
        connection.close()


def test_what_was_acknowledged_outlives_a_killed_web_and_a_retry_books_nothing_twice(web):
    secret, wanted = secret_of("freya"), bookings()
    answered: dict[int, Answer] = {}
    middle = threading.Event()

    def send(n: int) -> None:
        answer = ask(web.port, secret, f"booking-{n}", wanted[n])
        if answer is not None:
            answered[n] = answer
        if len(answered) >= BOOKINGS // 3:
            middle.set()

    web.start()
    with ThreadPoolExecutor(CALLERS) as pool:
        sent = [pool.submit(send, n) for n in range(BOOKINGS)]
        assert middle.wait(300), "the web was too slow to be killed in the middle"
        web.kill()
        for each in sent:
            each.result(300)
    _wait_for_the_server_to_notice()
    acknowledged = {n: answer.body["id"] for n, answer in answered.items()}
    assert {answer.status for answer in answered.values()} == {201}
    assert BOOKINGS // 3 <= len(acknowledged) < BOOKINGS

    # What the tables hold before anybody tries again: the acknowledged, and nothing in part.
    there = set(_ids())
    assert set(acknowledged.values()) <= there
    unacknowledged = there - set(acknowledged.values())
    assert len(unacknowledged) <= CALLERS  # each caller had one request under way
    assert flaws(BUSINESS, LAKE, BUSINESS) == []

    web.start()
    with ThreadPoolExecutor(CALLERS) as pool:
        missing = [n for n in range(BOOKINGS) if n not in acknowledged]
        again = list(pool.map(lambda n: ask(web.port, secret, f"booking-{n}", wanted[n]), missing))
    assert {answer.status for answer in again} == {201}
    # Those that were booked but never acknowledged are told so now, and are not booked anew.
    assert {a.body["id"] for a in again if a.replayed} == unacknowledged
    everything = [*acknowledged.values(), *(a.body["id"] for a in again)]
    assert sorted(everything) == sorted(_ids())
    assert len(set(everything)) == count(BUSINESS, "services_visit") == BOOKINGS
    assert count(BUSINESS, "unit_stored_outcome") == BOOKINGS
    # And one that had been acknowledged, sent again, is the same visit.
    first = next(iter(acknowledged))
    repeated = ask(web.port, secret, f"booking-{first}", wanted[first])
    assert repeated.status == 201, repeated
    assert (repeated.replayed, repeated.body["id"]) == (True, acknowledged[first])
    assert flaws(BUSINESS, LAKE, BUSINESS) == []


def _wait_for_the_server_to_notice() -> None:
    """Until no session of the killed processes is left: one may be committing still."""
    connections["default"].close()
    deadline = time.monotonic() + 60
    with connections["owner"].cursor() as cursor:
        while True:
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
            if cursor.fetchone()[0] == 0:
                return
            assert time.monotonic() < deadline, "sessions of killed processes stay"
            time.sleep(0.05)


def _ids() -> list[str]:
    from services.models import Visit
    from spa_ops.unit.work import reading

    with reading(BUSINESS):
        return [str(found) for found in Visit.objects.values_list("id", flat=True)]
