"""The program as a person starts it: its own processes, data folder and ports."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from spa_ops.launch.redis_server import free_port
from tests.launch.conftest import open_folder, place  # noqa: F401 - fixtures

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_SECONDS = 300


class Launch:
    """One `python -m spa_ops.launch VERB` and what it has said so far."""

    def __init__(self, verb: str, environment: dict[str, str]) -> None:
        self.environment = environment
        self.process = subprocess.Popen(
            [sys.executable, "-m", "spa_ops.launch", verb],
            cwd=ROOT,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self.said = ""
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as words:
            for line in words:
                self.said += line

    def wait_for(self, words: str) -> None:
        deadline = time.monotonic() + PATIENCE_SECONDS
        while words not in self.said:
            assert self.process.poll() is None, self.said
            assert time.monotonic() < deadline, self.said
            time.sleep(0.05)

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Send the signal, wait, and give the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        code = self.process.wait(PATIENCE_SECONDS)
        self._listener.join(PATIENCE_SECONDS)
        return code


@pytest.fixture
def surroundings(place: Path) -> dict[str, str]:  # noqa: F811
    """The variables of a person who set only ports, where the data goes, and to begin empty."""
    ports = {"PORT": str(free_port()), "STREAM_PORT": str(free_port())}
    data = {"SPA_OPS_DATA": str(place / "data"), "SPA_OPS_DEMO": "no"}
    return {"PATH": os.environ["PATH"], **data, **ports}


@pytest.fixture
def launch(surroundings: dict[str, str]) -> Iterator[Callable[..., Launch]]:
    """Start a verb in those surroundings; everything is ended when the test is."""
    started: list[Launch] = []

    def start(verb: str = "run", **more: str) -> Launch:
        started.append(Launch(verb, {**surroundings, **more}))
        return started[-1]

    yield start
    for each in started:
        each.end()


def processes_with(variable: str, value: str) -> list[str]:
    """The command lines of all running processes that were given `variable=value`."""
    wanted = f"{variable}={value}".encode()
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            given = (folder / "environ").read_bytes().split(b"\0")
            command = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
        except OSError:
            continue  # it ended while we looked, or is somebody else's
        if wanted in given and command:
            found.append(command)
    return found


def postgres_in(data_dir: Path) -> list[str]:
    """The command lines of the embedded server's postmaster for that folder."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            command = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if "postgres" in command and str(data_dir) in command:
            found.append(command)
    return found
