"""The stream process for real: uvicorn on loopback, a commit, and the poke that follows it."""

import json
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from spa_ops.kernel import clock
from spa_ops.kernel.actor import Role
from spa_ops.sync import pokes
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy.models import Membership, Token
from spa_ops.unit.work import reading
from tests.callers import secret_of
from tests.world import BUSINESS, HARBOR, LAKE, actor, uid


@contextmanager
def _served(application, database, base_dir):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    base, _, query = os.environ["DATABASE_URL"].partition("?")
    own = f"{base.rpartition('/')[0]}/{database}" + (f"?{query}" if query else "")
    command = [sys.executable, "-m", "uvicorn", application, "--port", str(port)]
    command += ["--log-level", "warning", "--timeout-graceful-shutdown", "1"]
    process = subprocess.Popen(command, cwd=base_dir, env=os.environ | {"DATABASE_URL": own})
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


@pytest.fixture
def stream(own_database, settings):
    settings.SEND_POKES = True
    with _served("spa_ops.asgi:application", own_database, settings.BASE_DIR) as url:
        yield url


@pytest.fixture
def quick_stream(own_database, settings):
    """Short times, and no poke is ever sent."""
    with _served("tests.sync.quick_stream:application", own_database, settings.BASE_DIR) as url:
        yield url


@pytest.fixture(autouse=True)
def _present():
    """The stream process reads the real clock, so tokens are issued by it."""
    with clock.stopped_at(datetime.now(UTC)):
        yield


def opened(url, secret, **headers):
    request = urllib.request.Request(url, headers={"Authorization": f"Bearer {secret}", **headers})
    return urllib.request.urlopen(request, timeout=40)


def event(response):
    found = {}
    for raw in response:
        line = raw.decode().rstrip("\n")
        if line.startswith(":"):
            continue
        if not line:
            if found:
                return found
            continue
        name, _, value = line.partition(": ")
        found[name] = value
    return found


def moved(name):
    tenancy.change_location(actor=actor("olga"), now=clock.now(), location_id=LAKE, name=name)


def refusal(url, secret, **headers):
    with pytest.raises(urllib.error.HTTPError) as refused:
        opened(url, secret, **headers)
    with refused.value as answer:
        assert answer.headers["Content-Type"] == "application/problem+json"
        return answer.code, json.loads(answer.read())["type"].removeprefix("/problems/")


def test_a_commit_is_followed_by_a_poke_without_data(stream):
    secret = secret_of("lena")
    with opened(f"{stream}/{LAKE}", secret) as response:
        assert response.headers["Content-Type"] == "text/event-stream"
        head = int(event(response)["id"])
        time.sleep(2)  # the process listens by then
        began = time.monotonic()
        moved("Lake 2")
        poked = event(response)
        # By the poke: looking without one comes after LOOK_SECONDS, which are 10.
        assert time.monotonic() - began < 7
        assert poked["event"] == "poke"
        assert json.loads(poked["data"]) == {"feed": str(LAKE), "head": head + 1}
        # Many writes within a second are one poke, and the last of them is not lost.
        for name in ("Lake 3", "Lake 4", "Lake 5"):
            moved(name)
        last = int(event(response)["id"])
        assert last == head + 4 or int(event(response)["id"]) == head + 4
    for known in ({"Last-Event-ID": str(head)}, {}):
        with opened(f"{stream}/{LAKE}?head={head}", secret, **known) as response:
            assert event(response)["id"] == str(head + 4)


def test_the_stream_is_for_those_who_may_pull(stream):
    lena = secret_of("lena")
    assert refusal(f"{stream}/{HARBOR}", lena) == (404, "not-found")
    assert refusal(f"{stream}/{LAKE}", secret_of("stranger")) == (404, "not-found")
    assert refusal(f"{stream}/{LAKE}", "nobody") == (401, "not-authenticated")
    assert refusal(f"{stream}/x", lena) == (404, "not-found")
    tenancy.grant_membership(
        actor=actor("olga"),
        now=clock.now(),
        person_id=uid("inga"),
        role=Role.INSPECTOR,
        location_id=LAKE,
    )
    with reading(BUSINESS):
        role = Membership.objects.filter(person_id=uid("inga")).latest("valid_from")
    issued = tenancy.issue_token(
        actor=actor("olga"), now=clock.now(), membership_id=role.id, days=1
    )
    assert refusal(f"{stream}/{LAKE}", issued.secret) == (403, "not-allowed")


def test_a_lost_poke_is_made_good_and_a_quiet_stream_is_kept_alive(quick_stream):
    secret = secret_of("lena")
    with opened(f"{quick_stream}/{LAKE}", secret) as response:
        head = int(event(response)["id"])
        moved("Lake 2")
        assert event(response)["id"] == str(head + 1)
        assert response.readline() == b": still here\n"


def test_a_stream_ends_with_its_token_and_there_are_only_so_many(quick_stream):
    first = opened(f"{quick_stream}/{LAKE}", secret_of("petra"))
    assert event(first)["event"] == "poke"
    with opened(f"{quick_stream}/{LAKE}", secret_of("lena")) as second:
        event(second)
        assert refusal(f"{quick_stream}/{LAKE}", secret_of("lena")) == (503, "unavailable")
        with reading(BUSINESS):
            token = Token.objects.filter(membership__person_id=uid("petra")).latest("issued_at")
        tenancy.revoke_token(actor=actor("olga"), now=clock.now(), token_id=token.id)
        ended = next(e for e in iter(lambda: event(first), {}) if e["event"] != "poke")
        assert ended["event"] == "end"
        assert json.loads(ended["data"]) == {"type": "/problems/not-authenticated"}
        assert first.read() == b""
    first.close()
    until = time.monotonic() + 10  # whoever has gone gives the place back
    while time.monotonic() < until:
        try:
            opened(f"{quick_stream}/{LAKE}", secret_of("lena")).close()
        except urllib.error.HTTPError as refused:
            refused.close()
            time.sleep(0.2)
        else:
            return
    pytest.fail("the places of streams that ended were not given back")
