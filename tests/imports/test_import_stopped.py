"""Imports that are killed, interrupted or cut off: nothing half done, and the next one goes on."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psycopg
import pytest
from django.db import connections

from tests.imports.commands import counts, imported, many_clients, one, runs, unfed
from tests.services.processes import environment
from tests.world import BUSINESS, LAKE

ROOT = Path(__file__).resolve().parents[2]
COUNT = 3000
WAIT_SECONDS = 90


@pytest.fixture
def start():
    """Start the command as a process of its own; what still runs after the test is stopped."""
    with ExitStack() as started:
        yield lambda path: started.enter_context(running(path))


@contextmanager
def running(path: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "manage.py", "import_clients", str(path)]
    options = ["--business", str(BUSINESS), "--location", str(LAKE)]
    with subprocess.Popen(
        [*command, *options],
        cwd=ROOT,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.fixture
def server(own_database):
    """A connection with the program's own sign-in: it sees its sessions, and this business's rows."""
    parameters = connections["default"].get_connection_params()
    names = {
        k: parameters[k]
        for k in ("host", "port", "user", "password", "dbname")
        if parameters.get(k)
    }
    with psycopg.connect(**names, autocommit=True) as connection:
        connection.execute("SELECT set_config('spa.business', %s, false)", [str(BUSINESS)])
        yield connection


def until(process: subprocess.Popen[str], happened: Callable[[], bool]) -> None:
    give_up_at = time.monotonic() + WAIT_SECONDS
    while not happened():
        assert process.poll() is None, process.stdout.read() if process.stdout else ""
        assert time.monotonic() < give_up_at
        time.sleep(0.005)


def some_are_staged(server: psycopg.Connection) -> bool:
    return server.execute("SELECT count(*) > 0 FROM imports_run WHERE read_through > 0").fetchone()[
        0
    ]


def is_applying(server: psycopg.Connection) -> bool:
    """Words are written behind the clients of a page, in the one transaction."""
    sql = (
        "SELECT count(*) > 0 FROM pg_stat_activity WHERE datname = current_database() "
        "AND pid <> pg_backend_pid() AND xact_start IS NOT NULL AND query LIKE '%clients_client_word%'"
    )
    return server.execute(sql).fetchone()[0]


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    said, _ = process.communicate(timeout=WAIT_SECONDS)
    return process.returncode, said


def all_are_there_once(before: dict[str, int]) -> None:
    after = counts()
    assert after["clients_client"] == before["clients_client"] + COUNT
    assert after["sync_change"] == before["sync_change"] + COUNT
    assert after["ledger_entry"] == before["ledger_entry"] + 1
    assert one("SELECT count(*) FROM imports_row") == 0
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0
    assert (
        one("SELECT count(*) FROM clients_client WHERE unverified_health IS NOT NULL")
        == COUNT // 10
    )


def test_killed_while_reading_it_changed_nothing_and_goes_on(server, start, tmp_path):
    before, path = counts(), many_clients(tmp_path, COUNT)
    process = start(path)
    until(process, lambda: some_are_staged(server))
    process.send_signal(signal.SIGKILL)
    ended(process)
    assert counts() == before
    assert b"beeswax" not in b"".join(
        bytes(row[0])
        for row in server.execute(
            "SELECT sealed_health FROM imports_row WHERE sealed_health IS NOT NULL"
        )
    )
    assert one("SELECT count(*) FROM imports_row WHERE content::text LIKE '%%beeswax%%'") == 0
    code, said = ended(start(path))
    assert code == 0, said
    assert "Going on behind row" in said
    all_are_there_once(before)
    assert [run.state for run in runs()] == ["completed"]


def test_killed_while_applying_it_changed_nothing_and_goes_on(server, start, tmp_path):
    before, path = counts(), many_clients(tmp_path, COUNT)
    process = start(path)
    until(process, lambda: is_applying(server))
    process.send_signal(signal.SIGKILL)
    ended(process)
    assert counts() == before
    code, said = ended(start(path))
    assert code == 0, said
    assert f"Going on behind row {COUNT + 1}" in said
    all_are_there_once(before)
    assert [run.state for run in runs()] == ["completed"]


def test_interrupted_it_says_so_and_goes_on(server, start, tmp_path):
    before, path = counts(), many_clients(tmp_path, COUNT)
    process = start(path)
    until(process, lambda: some_are_staged(server))
    process.send_signal(signal.SIGINT)
    code, said = ended(process)
    assert (code, counts()) == (130, before)
    assert "Run the same command again and it goes on" in said
    assert "Traceback" not in said
    assert ended(start(path))[0] == 0
    all_are_there_once(before)


def test_a_lost_connection_is_one_sentence_and_the_next_one_goes_on(server, start, tmp_path):
    before, path = counts(), many_clients(tmp_path, COUNT)
    process = start(path)
    until(process, lambda: some_are_staged(server))
    server.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE datname = current_database() AND usename = session_user "
        "AND pid <> pg_backend_pid()"
    )
    code, said = ended(process)
    connections["default"].close()
    assert (code, counts()) == (1, before)
    assert "The connection to the database was lost; nothing was imported." in said
    assert "Traceback" not in said
    assert ended(start(path))[0] == 0
    all_are_there_once(before)


def test_another_file_takes_the_place_of_one_that_was_given_up(server, start, tmp_path):
    before = counts()
    process = start(many_clients(tmp_path, COUNT))
    until(process, lambda: some_are_staged(server))
    process.send_signal(signal.SIGKILL)
    ended(process)
    assert "7 added" in imported("clients", many_clients(tmp_path, 7))
    assert {run.state for run in runs()} == {"discarded", "completed"}
    assert one("SELECT count(*) FROM imports_row") == 0
    assert counts()["clients_client"] == before["clients_client"] + 7


def test_two_at_once_for_one_location_do_not_mix(server, start, tmp_path):
    before, path = counts(), many_clients(tmp_path, COUNT)
    first, second = start(path), start(path)
    (one_code, one_said), (two_code, two_said) = ended(first), ended(second)
    # The second waits some seconds for the first, then either finds all there or is sent away.
    said = one_said + two_said
    assert sorted((one_code, two_code)) in ([0, 0], [0, 1]), said
    assert f"{COUNT} here already" in said or "import-running" in said
    assert counts()["clients_client"] == before["clients_client"] + COUNT
    assert unfed("client", "clients_client", "ANY(e.location_ids)") == 0
