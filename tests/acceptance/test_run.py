"""`make run` with real processes: starts, serves, stops, and says in one sentence why it cannot."""

import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest

from spa_ops.launch import embedded, redis_server
from tests.acceptance.conftest import ROOT, Launch, postgres_in, processes_with

pytestmark = [
    pytest.mark.acceptance,
    pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="looks into /proc"),
    # Each starts a dozen processes; beside each other they only wait for one another.
    pytest.mark.xdist_group("acceptance"),
]
Start = Callable[..., Launch]
UP = "Ctrl-C stops everything."


def get(launch: Launch, path: str) -> tuple[int, bytes]:
    url = f"http://127.0.0.1:{launch.environment['PORT']}{path}"
    with urllib.request.urlopen(url, timeout=20) as response:
        return response.status, response.read()


def left_behind(launch: Launch, seconds: float = 20) -> list[str]:
    """What still runs of a launch, once it had that long to end."""
    data_dir = launch.environment["SPA_OPS_DATA"]
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        left = processes_with("SPA_OPS_DATA", data_dir) + postgres_in(Path(data_dir))
        if not left:
            return []
        time.sleep(0.1)
    return left


def test_it_starts_serves_stops_and_starts_again(launch: Start) -> None:
    first = launch()
    first.wait_for(UP)
    assert get(first, "/api/v1/health") == (200, b'{"status":"ok"}')
    assert get(first, "/api/docs")[0] == 200
    assert "embedded PostgreSQL" in first.said
    assert "/api/docs" in first.said
    running = processes_with("SPA_OPS_DATA", first.environment["SPA_OPS_DATA"])
    assert any("gunicorn spa_ops.wsgi" in command for command in running)
    for part in ("worker", "beat"):
        assert any(f"celery -A spa_ops.celery {part}" in command for command in running)
    data_dir = Path(first.environment["SPA_OPS_DATA"])
    the_worker_empties_the_queue(data_dir)
    kept = (data_dir / "secrets.json").read_text()
    assert stat.S_IMODE((data_dir / "secrets.json").stat().st_mode) == 0o600
    assert first.end(signal.SIGINT) == 0
    assert left_behind(first) == []

    second = launch()
    second.wait_for(UP)
    assert get(second, "/api/v1/health")[0] == 200
    assert (data_dir / "secrets.json").read_text() == kept
    assert second.end(signal.SIGTERM) == 0
    assert left_behind(second) == []


def the_worker_empties_the_queue(data_dir: Path) -> None:
    """On the embedded default too, what beat announces reaches a real worker."""
    server = embedded.ensure(data_dir)
    with psycopg.connect(server.app_url, autocommit=True) as app:
        deadline = time.monotonic() + 120
        sent, waiting = 0, 0
        while (sent == 0 or waiting) and time.monotonic() < deadline:
            time.sleep(0.5)
            query = "SELECT total_messages, queue_length FROM pgmq.metrics('spa_ops')"
            sent, waiting = app.execute(query).fetchone() or (0, 0)
    assert not embedded.stop(server), "the program uses it still"
    assert sent > 0
    assert waiting == 0


def test_nothing_stays_when_the_launcher_is_killed(launch: Start) -> None:
    killed = launch()
    killed.wait_for(UP)
    killed.end(signal.SIGKILL)
    assert left_behind(killed, 40) == []
    again = launch()
    again.wait_for(UP)


def test_a_process_that_dies_ends_the_launch_with_its_words(launch: Start) -> None:
    one = launch(WEB_WORKERS="no number")
    assert one.process.wait(120) == 1
    one.end()
    assert "The web process ended with exit code" in one.said
    assert "no number" in one.said
    assert "Traceback" not in one.said
    assert left_behind(one) == []


def test_a_killed_worker_process_is_told_and_the_rest_stopped(launch: Start) -> None:
    one = launch()
    one.wait_for(UP)
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            ours = f"SPA_OPS_DATA={one.environment['SPA_OPS_DATA']}".encode()
            is_beat = b"beat" in (folder / "cmdline").read_bytes().split(b"\0")
            if is_beat and ours in (folder / "environ").read_bytes():
                os.kill(int(folder.name), signal.SIGKILL)
        except OSError:
            continue
    assert one.process.wait(60) == 1
    one.end()
    assert "The beat process ended by signal 9" in one.said
    assert left_behind(one) == []


@pytest.mark.parametrize("variable", ["PORT", "STREAM_PORT"])
def test_a_taken_port_is_one_sentence(
    launch: Start, surroundings: dict[str, str], variable: str
) -> None:
    with socket.create_server(("127.0.0.1", int(surroundings[variable]))):
        one = launch()
        assert one.process.wait(60) == 1
    one.end()
    assert one.said == (
        f"Port {surroundings[variable]} is taken by another program; "
        f"stop that one, or set {variable} to a free port.\n"
    )
    assert not (Path(surroundings["SPA_OPS_DATA"]) / "postgresql").exists()


@pytest.mark.parametrize("text", ["0", "65536", "http", "-1", "8080.5"])
def test_a_port_that_is_none_is_one_sentence(launch: Start, text: str) -> None:
    one = launch(PORT=text)
    assert one.process.wait(60) == 1
    one.end()
    assert one.said == f"PORT is {text!r}; it must be a number from 1 to 65535.\n"


def test_an_empty_database_gets_the_demo_business_and_its_sign_ins(launch: Start) -> None:
    """The default of a first start; a minute or so, as the files are imported like anybody's."""
    one = launch(SPA_OPS_DEMO="yes")
    one.wait_for(UP)
    kept = Path(one.environment["SPA_OPS_DATA"]) / "demo-sign-ins.json"
    people = json.loads(kept.read_text())
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert {"front_desk", "practitioner", "lead", "owner", "inspector"} <= {
        p["role"] for p in people
    }
    for person in people:
        assert all(person[key] in one.said for key in ("name", "login", "password"))
    the_tour_shows_what_the_readme_says(one)


def the_tour_shows_what_the_readme_says(one: Launch) -> None:
    """The README's own commands, but for the port and the folder."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (tour,) = re.findall(r"```sh\n(API=.*?)```", readme, re.DOTALL)
    tour = tour.replace("http://127.0.0.1:8080", f"http://127.0.0.1:{one.environment['PORT']}")
    tour = tour.replace("SIGN_INS=.data/", f"SIGN_INS={one.environment['SPA_OPS_DATA']}/")
    # -u: a name that was never set; -e: a look-up in an answer that has no such field.
    done = subprocess.run(
        ["bash", "-eu"], input=tour, capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stderr
    for words in (
        "Fern Room, hard wax: may be used\n",
        "Fern Room, soft wax: too_hot\n",
        "Heron Room, soft wax: not_measured_today\n",
        "{'done': 13, 'blank': 1, 'not_done': 0, 'contradicted': 0}\n",
        "pair Invented gloves without powder by 20",
        "do_not_treat\n",
        '"/problems/room-not-ready"',
        '"intact":true',
    ):
        assert words in done.stdout, words


def test_with_redis_a_worker_does_what_beat_announces(
    launch: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("REDIS_URL", raising=False)
    with redis_server.redis_for_use() as redis:
        one = launch(REDIS_URL=redis.url)
        one.wait_for(UP)
        assert "queue       Redis" in one.said
        assert wait_for_work(one) > 0
        assert one.end() == 0
    assert left_behind(one) == []


def wait_for_work(one: Launch) -> int:
    """How many tasks the worker has done, as it says itself, once it has done one."""
    command = [sys.executable, "-m", "celery", "-A", "spa_ops.celery", "inspect", "stats", "--json"]
    # The launch's own variables, and what it adds to them for its children.
    more = {"SPA_OPS_ENV": "development", "DATABASE_URL": "postgresql://127.0.0.1:1/none"}
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        asked = subprocess.run(
            command,
            cwd=ROOT,
            env={**one.environment, **more},
            capture_output=True,
            text=True,
            check=False,
        )
        if asked.returncode == 0:
            answers = json.loads(asked.stdout)
            done = sum(sum(answer["total"].values()) for answer in answers.values())
            if done:
                return done
        time.sleep(1)
    raise AssertionError(asked.stdout + asked.stderr)
