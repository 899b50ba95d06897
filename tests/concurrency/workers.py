"""Real workers and beats of the program beside a test, on a queue of the test's own, to be killed."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
import redis
from django.db import connections

from spa_ops.launch import queue_schema
from spa_ops.launch.instance import ROOT
from spa_ops.launch.redis_server import redis_for_use
from tests.services.processes import environment

PREFIX = "trial:"
PATIENCE_SECONDS = 150
QUIET = ["--without-gossip", "--without-mingle", "--without-heartbeat", "--loglevel", "warning"]


@dataclass(slots=True, kw_only=True)
class Background:
    """Workers and beats on one queue; what they say goes to files in `folder`."""

    environment: dict[str, str]
    folder: Path
    redis_url: str = ""
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def worker(self) -> subprocess.Popen[bytes]:
        name = f"worker-{len(self.running)}@trial"
        return self._start("worker", "--concurrency", "2", *QUIET, "--hostname", name)

    def beat(self) -> subprocess.Popen[bytes]:
        return self._start("beat", "--loglevel", "warning")

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "celery", "-A", "spa_ops.celery", *words]
        with (self.folder / f"{len(self.running)}-{words[0]}.log").open("wb") as log:
            process = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )  # fmt: skip
        self.running.append(process)
        return process

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        """The process and its children at once, without a word."""
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(30)

    def announce(self, task: str, times: int = 1) -> None:
        """Say that many times that something is to be done; without a beat nobody else says it."""
        say = f"from spa_ops.celery import app; [app.send_task({task!r}) for _ in range({times})]"
        setup = "import django; django.setup(); "
        subprocess.run(
            [sys.executable, "-c", setup + say], cwd=ROOT, env=self.environment, check=True
        )

    def empty_the_queue(self) -> int:
        """FLUSHALL on the Redis that the test started; gives how many keys it had."""
        assert self.redis_url, "not a Redis of ours"
        with redis.Redis.from_url(self.redis_url) as client:
            keys = int(client.dbsize())
            client.flushall()
        return keys

    def said(self) -> str:
        return "\n".join(f.read_text(errors="replace")[-3000:] for f in self.folder.glob("*.log"))

    def stop(self) -> None:
        for process in self.running:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(30)


def background_of(
    queue: str, folder: Path, offset: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Background]:
    """Processes over a private Redis, or over the queue in the test's own database."""
    with _redis(queue, monkeypatch) as url:
        if not url:
            queue_schema.prepare(_owner_url())
        one = Background(
            environment=environment(
                REDIS_URL=url,
                SPA_OPS_REDIS_PREFIX=PREFIX,
                SPA_OPS_CLOCK_OFFSET_FILE=str(offset),
            ),
            folder=folder,
            redis_url=url,
        )
        try:
            yield one
        finally:
            one.stop()


@contextmanager
def _redis(queue: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    if queue != "redis":
        yield ""
        return
    # Never the one that was there: this one is emptied.
    monkeypatch.delenv("REDIS_URL", raising=False)
    with redis_for_use() as server:
        yield server.url


def _owner_url() -> str:
    login = connections["owner"].settings_dict
    who = quote(login["USER"]) + (":" + quote(login["PASSWORD"]) if login["PASSWORD"] else "")
    words = {"host": login["HOST"]} | ({"port": login["PORT"]} if login["PORT"] else {})
    return f"postgresql://{who}@/{login['NAME']}?{urlencode(words)}"


def wait_until(true: object, one: Background, seconds: float = PATIENCE_SECONDS) -> None:
    """Ask until the answer is yes; with what the processes said where it never is."""
    deadline = time.monotonic() + seconds
    while not true():  # type: ignore[operator]
        assert time.monotonic() < deadline, one.said()
        time.sleep(0.03)
