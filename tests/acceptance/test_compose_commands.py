"""The commands of docker-compose.yml by hand, in production, on a PostgreSQL and a Redis of this machine.

Containers cannot run in a test; what they would run can: the same words, the same variables, with
only the addresses put right for one machine.
"""

import os
import secrets
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from spa_ops.launch import embedded, redis_server
from spa_ops.launch.databases import with_name
from spa_ops.launch.processes import Family
from tests.launch.compose_file import (
    ROOT,
    VARIABLE,
    interpolated,
    our_services,
    python_commands,
)

pytestmark = [pytest.mark.acceptance, pytest.mark.xdist_group("acceptance")]
VARIABLES = {
    "SPA_OPS_SECRET_KEY": secrets.token_urlsafe(48),
    "SPA_OPS_MASTER_KEYS": "local-1:MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIzNDU2Nzg5MDE=",
    "SPA_OPS_ALLOWED_HOSTS": "spa.example",
    "POSTGRES_PASSWORD": "unused",
    "OWNER_PASSWORD": secrets.token_hex(12),
    "APP_PASSWORD": secrets.token_hex(12),
    "REDIS_PASSWORD": "unused",
}
LASTING = ("web", "stream", "worker", "beat")


class OneMachine:
    """The compose file's services with the addresses of this machine's servers."""

    def __init__(self, server: embedded.Server, redis_url: str, folder: Path) -> None:
        self.server, self.redis_url, self.folder = server, redis_url, folder
        self.ports = {name: str(redis_server.free_port()) for name in LASTING}

    def environment(self, name: str) -> dict[str, str]:
        given = our_services()[name]["environment"]
        values = {key: interpolated(value, VARIABLES) for key, value in given.items()}
        host = self.server.admin_url.partition("?")[2]
        for key, value in values.items():
            values[key] = value.replace("@postgres:5432/spa_ops", f"@/spa_ops?{host}")
        values["REDIS_URL"] = self.redis_url
        if "DATABASE_ADMIN_URL" in values:
            values["DATABASE_ADMIN_URL"] = self.server.admin_url
        if "SPA_OPS_BEAT_FILE" in values:
            values["SPA_OPS_BEAT_FILE"] = str(self.folder / "beat")
        return {"PATH": os.environ["PATH"], "HOSTNAME": os.uname().nodename, **values}

    def words(self, name: str, command: list[str]) -> list[str]:
        port = self.ports.get(name, "")
        right = [word.replace("0.0.0.0", "127.0.0.1") for word in command]
        right = [word.replace("127.0.0.1:8080", f"127.0.0.1:{port}") for word in right]
        right = [port if word == "8080" else word for word in right]
        return [sys.executable, *(w.replace("$$", "$") for w in right[1:])]

    def is_healthy(self, name: str) -> bool:
        command = self.words(name, python_commands(our_services()[name])[1])
        # The shell of the container puts the host's name in.
        command = [word.replace("$HOSTNAME", os.uname().nodename) for word in command]
        environment = {**self.environment(name), "PORT": self.ports[name]}
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, check=False)
        return done.returncode == 0


@pytest.fixture
def machine(place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OneMachine]:
    # Logins are made on the server, so it must be one of this test's own.
    monkeypatch.delenv("REDIS_URL", raising=False)
    server = embedded.ensure(place / "data", durable=False)
    try:
        with redis_server.redis_for_use() as redis:
            yield OneMachine(server, redis.url, tmp_path)
    finally:
        embedded.stop(server)


def test_the_commands_of_the_compose_file_work_by_hand(machine: OneMachine, tmp_path: Path) -> None:
    assert {name for name, _ in VARIABLE.findall((ROOT / "docker-compose.yml").read_text())} == set(
        VARIABLES
    )
    for command in python_commands(our_services()["migrate"]):
        words = machine.words("migrate", command)
        done = subprocess.run(
            words,
            cwd=ROOT,
            env=machine.environment("migrate"),
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
    admin = with_name(machine.server.admin_url, "spa_ops")
    with psycopg.connect(admin) as connection:
        row = connection.execute("SELECT count(*) FROM django_migrations").fetchone()
        assert row is not None
        assert row[0] > 5
    parts = [name for name in LASTING if name != "stream" or (ROOT / "spa_ops/asgi.py").exists()]
    families = [run(machine, name, tmp_path) for name in parts]
    try:
        for name in parts:
            wait_until_healthy(machine, name, families)
    finally:
        for family in families:
            family.stop()
    assert not any(machine.is_healthy(name) for name in parts if name != "beat")


def run(machine: OneMachine, name: str, logs: Path) -> Family:
    family = Family(logs=logs / "logs", environment=machine.environment(name), folder=ROOT)
    family.start(name, machine.words(name, python_commands(our_services()[name])[0]))
    return family


def wait_until_healthy(machine: OneMachine, name: str, families: list[Family]) -> None:
    deadline = time.monotonic() + 240
    while not machine.is_healthy(name):
        for family in families:
            family.check()
        words = "\n".join(child.last_lines() for family in families for child in family.children)
        assert time.monotonic() < deadline, f"{name} is not healthy\n{words}"
        time.sleep(0.5)
