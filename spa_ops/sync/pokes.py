"""Pokes: after a commit, a word without data that a feed has moved. Losing one harms nobody.

Sent on a connection of their own, never inside the write (NOTIFY there cost a quarter of all
commits), and at most one a second for each feed: whoever hears one looks again a second later.
"""

import logging
import time
from collections.abc import Iterable
from uuid import UUID

import psycopg
from django.conf import settings
from django.db import connections

CHANNEL = "spa_feed"
QUIET_SECONDS = 1.0
log = logging.getLogger("spa_ops.sync")


class _Sender:
    """The process's own connection for pokes, and when each feed was poked last."""

    def __init__(self) -> None:
        self.connection: psycopg.Connection | None = None
        self.database = ""
        self.last: dict[UUID, float] = {}

    def send(self, feeds: Iterable[UUID]) -> None:
        now = time.monotonic()
        due = [feed for feed in feeds if now - self.last.get(feed, -QUIET_SECONDS) >= QUIET_SECONDS]
        if not due:
            return
        if len(self.last) > 10_000:
            self.last.clear()
        try:
            for feed in due:
                self._open().execute("SELECT pg_notify(%s, %s)", [CHANNEL, str(feed)])
                self.last[feed] = now
        except psycopg.Error as error:
            log.warning("a poke was not sent: %s", error)
            self.connection = None

    def _open(self) -> psycopg.Connection:
        parameters = connections["default"].get_connection_params()
        name = str(parameters.get("dbname", ""))
        if self.connection is None or self.connection.closed or name != self.database:
            if self.connection is not None:
                self.connection.close()
            self.connection = psycopg.connect(
                **plain(parameters) | {"connect_timeout": 2}, autocommit=True
            )
            self.database = name
        return self.connection


def plain(parameters: dict[str, object]) -> dict[str, object]:
    """Django's connection parameters without what only its own cursors understand."""
    own = {
        "cursor_factory",
        "context",
        "prepare_threshold",
        "server_side_binding",
        "isolation_level",
    }
    return {k: v for k, v in parameters.items() if k not in own}


_sender = _Sender()


def send(feeds: Iterable[UUID]) -> None:
    """Poke these feeds. Never raises: the change is committed already, and readers look by themselves."""
    if settings.SEND_POKES:
        _sender.send(feeds)


def close() -> None:
    """Close the connection for pokes; the next poke opens it again."""
    if _sender.connection is not None:
        _sender.connection.close()
        _sender.connection = None
