"""The real program behind a real Chromium: a web process on a database of its own, and a browser.

The browser is the machine's: `CHROMIUM`, else what PATH has, else Playwright's own. Without one
these tests are skipped and say so.
"""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connections
from playwright.sync_api import Browser, Page, sync_playwright

from spa_ops.kernel import clock
from spa_ops.launch.instance import ROOT, answers
from spa_ops.launch.redis_server import free_port
from tests.callers import Caller, secret_of
from tests.conftest import NOON, _clone, _drop, _point_at
from tests.services.day import book, line
from tests.services.processes import environment

START_SECONDS = 90
NAMES = ("chromium", "chromium-browser", "google-chrome")
# Without a sandbox of its own, as in a container; nothing but the page is asked for.
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A Chromium; skips where there is none. Ended with the module: other tests want no event loop."""
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        # The driver keeps an event loop in this thread; none of Django's calls waits in it.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        found = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, NAMES)), None)
        own = Path(playwright.chromium.executable_path)
        if found is None and not own.exists():
            pytest.skip("no Chromium: set CHROMIUM, or have one on PATH")
        one = playwright.chromium.launch(executable_path=found or own, args=FLAGS)
        yield one
        one.close()


@pytest.fixture(scope="module")
def address(
    browser, template_database, django_db_setup, django_db_blocker, tmp_path_factory
) -> Iterator[str]:
    """Where the program answers; this process reads and writes the same database."""
    before = settings.DATABASES["default"]["NAME"]
    name = _clone(template_database, "spa_test")
    _point_at(name)
    offset = tmp_path_factory.mktemp("clock") / "offset"
    offset.write_text(str((NOON - datetime.now(UTC)).total_seconds()))
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", "spa_ops.wsgi:application"]
    command += ["--bind", f"127.0.0.1:{port}", "--workers", "2", "--threads", "2"]
    command += ["--no-control-socket", "--log-level", "warning"]
    named = environment(SPA_OPS_CLOCK_OFFSET_FILE=str(offset), SPA_OPS_PAGES_PER_MINUTE="1000000")
    web = subprocess.Popen(command, cwd=ROOT, env=named)
    try:
        deadline = time.monotonic() + START_SECONDS
        while not answers(f"http://127.0.0.1:{port}/api/v1/health"):
            assert web.poll() is None, "the web ended by itself"
            assert time.monotonic() < deadline, "the web did not answer"
            time.sleep(0.1)
        with django_db_blocker.unblock():
            yield f"http://127.0.0.1:{port}"
            connections.close_all()
    finally:
        web.terminate()
        web.wait(30)
        _point_at(before)
        _drop(name)


@pytest.fixture
def call(address) -> Callable[[str], Caller]:
    """As the fixture of that name, but what is done is committed: the program sees it."""
    made: dict[str, Caller] = {}
    return lambda name: made.setdefault(name, Caller(secret_of(name)))


@pytest.fixture
def visit(call, address) -> Iterator[dict[str, Any]]:
    """A visit of Celia's, who was never asked before, with its link's address at `url`."""
    found = book(call, clock.now(), line(clock.now()), client="celia").body
    made = call("freya").post(f"visits/{found['id']}/intake-link")
    assert made.status_code == 201, made.body
    yield {**found, "url": address + made.body["url"].removeprefix("http://testserver")}
    # Its time is free again for the next test.
    assert call("freya").post(f"visits/{found['id']}/cancel").status_code == 200


@pytest.fixture
def opened(browser, address) -> Iterator[Callable[..., Page]]:
    """Open a page of the program as a new person would; it may ask for nothing elsewhere."""
    contexts, asked = [], []

    def open_at(url: str, *, width: int = 360, height: int = 740, **more: Any) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        context.set_default_timeout(20_000)
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        page.on("pageerror", lambda error: asked.append(f"error: {error}"))
        page.goto(url)
        return page

    yield open_at
    for context in contexts:
        context.close()
    assert [url for url in asked if not url.startswith((address, "data:"))] == []
