"""The intake page when something breaks on our side: a page that can be read, and nothing lost."""

import re

import pytest
from django.test import Client

from services.actions import intake as actions
from services.link_tokens import INTAKE
from services.models import Intake
from services.queries import intake as queries
from spa_ops.unit.work import reading
from tests.services.test_intake import _Page, answered, booked, made, send
from tests.world import BUSINESS


@pytest.fixture(autouse=True)
def _many_pages_a_minute(settings):
    """The clock of the tests stands still: all of them ask within one minute."""
    settings.PAGES_PER_MINUTE = 1_000_000


def broken(monkeypatch, where, name, url):
    def fail(*args, **kwargs):
        raise RuntimeError(f"an invented fault at {url}")

    monkeypatch.setattr(where, name, fail)


@pytest.mark.parametrize("method", ["get", "post"])
def test_what_breaks_is_a_page_that_says_what_to_do_and_keeps_what_was_typed(
    call, now, monkeypatch, caplog, method
):
    url = made(call, booked(call, now))
    with monkeypatch.context() as patch:
        broken(patch, actions, "submit", url)
        broken(patch, queries, "open_page", url)
        answer = Client().get(url) if method == "get" else send(url, answered())
    html = answer.content.decode()
    assert (answer.status_code, answer["Content-Type"]) == (500, "text/html; charset=utf-8")
    assert "What you typed is still in this browser" in html
    assert f'<a href="{url}">Try again</a>' in html
    assert "RuntimeError" not in html
    assert "invented fault" not in html
    # Only a page that is final clears what the browser keeps.
    assert "data-final" not in html
    assert "removeItem" not in html
    assert INTAKE.storage_key(url.rpartition("/")[2]) not in html
    # WCAG 2.2: 3.1.1 Language of Page, 2.4.2 Page Titled; and one heading and one main landmark.
    assert '<html lang="en">' in html
    assert re.search(r"<title>[^<]+</title>", html)
    assert (html.count("<h1>"), html.count("<main")) == (1, 1)
    assert "default-src 'none'" in answer["Content-Security-Policy"]
    assert (answer["Cache-Control"], answer["Referrer-Policy"]) == ("no-store", "no-referrer")
    (record,) = [r for r in caplog.records if r.levelname == "ERROR"]
    assert record.exc_info or record.exc_text
    with reading(BUSINESS):
        assert Intake.objects.count() == 0
    assert send(url, answered()).status_code == 303


def test_the_page_after_sending_breaks_alike_and_leads_back(call, now, monkeypatch):
    url = made(call, booked(call, now))
    assert send(url, answered()).status_code == 303
    with monkeypatch.context() as patch:
        broken(patch, queries, "link_with", url)
        answer = Client().get(f"{url}/sent")
    assert answer.status_code == 500
    assert _Page(answer.content.decode()).ids == []
    assert f'href="{url}"' in answer.content.decode()
    assert Client().get(f"{url}/sent").status_code == 200
