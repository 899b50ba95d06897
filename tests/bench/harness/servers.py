"""A gunicorn with one sync worker, and the time that its answers take."""

import http.client
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from spa_ops.launch.instance import ROOT, answers
from spa_ops.launch.processes import leashed
from spa_ops.launch.redis_server import free_port

START_SECONDS = 60


@contextmanager
def serving(application: str, environment: Mapping[str, str]) -> Iterator[int]:
    """The port on which `application` is served by one process, as both sides are."""
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", application, "--bind", f"127.0.0.1:{port}"]
    command += ["--workers", "1", "--no-control-socket", "--log-level", "warning"]
    process = subprocess.Popen(leashed(command), cwd=ROOT, env={**os.environ, **environment})
    try:
        deadline = time.monotonic() + START_SECONDS
        while not answers(f"http://127.0.0.1:{port}/"):
            if process.poll() is not None or time.monotonic() > deadline:
                raise SystemExit(f"{application} does not answer")
            time.sleep(0.1)
        yield port
    finally:
        process.terminate()
        process.wait(30)


def get(port: int, path: str, authorization: str) -> bytes:
    """The body of one answer, on a connection of its own; anything but 200 ends the benchmark."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request("GET", path, headers={"Authorization": authorization})
        response = connection.getresponse()
        body = response.read()
    finally:
        connection.close()
    if response.status != 200:
        raise SystemExit(f"{path}: {response.status} {body[:300]!r}")
    return body


def milliseconds_each(port: int, paths: list[str], authorization: str) -> float:
    """The mean time of these GETs, one after the other."""
    started = time.perf_counter()
    for path in paths:
        get(port, path, authorization)
    return 1000 * (time.perf_counter() - started) / len(paths)
