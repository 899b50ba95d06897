"""The stream process for real: uvicorn on loopback, a commit, and the poke that follows it."""

import json
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from spa_ops.kernel import clock
from spa_ops.sync import pokes
from spa_ops.tenancy import actions as tenancy
from tests.callers import secret_of
from tests.world import HARBOR, LAKE, actor


@pytest.fixture
def stream(own_database, settings):
    settings.SEND_POKES = True
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    url = os.environ["DATABASE_URL"]
    base, _, query = url.partition("?")
    own = f"{base.rpartition('/')[0]}/{own_database}" + (f"?{query}" if query else "")
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "uvicorn",
            "spa_ops.asgi:application",
            "--port",
            str(port),
            "--log-level",
            "warning",
        ],
        cwd=settings.BASE_DIR,
        env=os.environ | {"DATABASE_URL": own},
    )
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.2)
        yield f"http://127.0.0.1:{port}/api/v1/stream"
    finally:
        process.terminate()
        process.wait(20)
        pokes.close()


def opened(url, secret, **headers):
    request = urllib.request.Request(url, headers={"Authorization": f"Bearer {secret}", **headers})
    return urllib.request.urlopen(request, timeout=40)


def event(response):
    found = {}
    for raw in response:
        line = raw.decode().rstrip("\n")
        if not line:
            if found:
                return found
            continue
        name, _, value = line.partition(": ")
        found[name] = value
    return found


def test_a_commit_is_followed_by_a_poke_without_data(stream):
    with clock.stopped_at(clock.datetime.now(clock.UTC)):
        secret = secret_of("lena")
        with opened(f"{stream}/{LAKE}", secret) as response:
            assert response.headers["Content-Type"] == "text/event-stream"
            first = event(response)
            head = int(first["id"])
            tenancy.change_location(
                actor=actor("olga"), now=clock.now(), location_id=LAKE, name="Lake 2"
            )
            poked = event(response)
        assert poked["event"] == "poke"
        assert json.loads(poked["data"]) == {"feed": str(LAKE), "head": head + 1}
        with opened(f"{stream}/{LAKE}", secret, **{"Last-Event-ID": str(head)}) as response:
            assert event(response)["id"] == str(head + 1)


@pytest.mark.parametrize(
    ("feed", "who", "status"),
    [(HARBOR, "lena", 404), (LAKE, None, 401), ("x", "lena", 404)],
)
def test_the_stream_is_for_those_who_may_pull(stream, feed, who, status):
    with clock.stopped_at(clock.datetime.now(clock.UTC)):
        secret = secret_of(who) if who else "nobody"
        with pytest.raises(urllib.error.HTTPError) as refused:
            opened(f"{stream}/{feed}", secret)
        assert refused.value.code == status
        assert refused.value.headers["Content-Type"] == "application/problem+json"
        refused.value.close()
