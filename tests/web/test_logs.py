"""What the program writes to its log about an intake link: that something failed, never the token."""

import io
import logging
from contextlib import contextmanager

import pytest
from django.conf import settings as configured
from django.test import Client, override_settings

from services.link_tokens import INTAKE
from spa_ops.web.logs import HideTokens
from tests.world import BUSINESS


@pytest.fixture(autouse=True)
def _many_pages_a_minute(settings):
    """The clock of the tests stands still: all of them ask within one minute."""
    settings.PAGES_PER_MINUTE = 1_000_000


@contextmanager
def written():
    """What goes out through the handler that the settings configure."""
    (handler,) = (
        h for h in logging.getLogger().handlers if any(isinstance(f, HideTokens) for f in h.filters)
    )
    # Not by setStream, which flushes what was there: another test may have closed it.
    before, handler.stream = handler.stream, io.StringIO()
    try:
        yield handler.stream
    finally:
        handler.stream = before


@pytest.mark.parametrize("behind", ["", "/sent"])
def test_a_page_that_breaks_is_logged_without_its_token(db, behind):
    token, _ = INTAKE.made(BUSINESS)
    with written() as log, override_settings(TEMPLATES=[]):
        broken = Client(raise_request_exception=False).get(f"/intake/{token}{behind}")
    assert broken.status_code == 500
    said = log.getvalue()
    assert f"Internal Server Error: /intake/[token]{behind}" in said
    assert "Traceback" in said
    assert token not in said
    assert token.encode() not in broken.content


@pytest.mark.parametrize("behind", ["/", "/sent/", "/other", "%20"])
def test_an_address_beside_the_page_is_logged_without_the_token(db, behind):
    token, _ = INTAKE.made(BUSINESS)
    with written() as log:
        assert Client().get(f"/intake/{token}{behind}").status_code == 404
    assert token not in log.getvalue()


def test_a_calendars_address_is_logged_without_its_token_and_a_row_of_one_with_its_id():
    with written() as log:
        logging.getLogger("anything").error("at /calendars/abcDEF-_123.ics")
        logging.getLogger("anything").error("at /api/v1/calendars/0192-9/revoke")
    assert "at /calendars/[token]" in log.getvalue() and "abcDEF" not in log.getvalue()
    assert "/api/v1/calendars/0192-9/revoke" in log.getvalue()


def test_an_error_that_names_the_address_loses_it_too():
    with written() as log:
        try:
            raise RuntimeError("no way to https://spa.invalid/intake/abcDEF-_123?x=1")
        except RuntimeError:
            logging.getLogger("anything").exception("at %s and 100%%", "/intake/abcDEF-_123")
    assert "abcDEF" not in log.getvalue()
    assert "at /intake/[token] and 100%" in log.getvalue()
    assert "spa.invalid/intake/[token]?x=1" in log.getvalue()


def test_every_handler_hides_them():
    handlers = configured.LOGGING["handlers"].values()
    assert all("hide_tokens" in handler["filters"] for handler in handlers)
