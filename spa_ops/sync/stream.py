"""Server-sent events: `GET /api/v1/stream/{feed}` tells that a feed has moved, never what.

One LISTEN connection a process. A stream begins with the feed's head, is poked when it moves, and
ends when its token does. Whoever reconnects with `Last-Event-ID` is poked at once if it moved.
"""

import asyncio
import json
import logging
from collections import defaultdict
from contextlib import suppress
from typing import Any
from uuid import UUID

import psycopg
from django.db import close_old_connections, connections

from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import (
    MethodNotAllowed,
    NotAllowed,
    NotFound,
    Problem,
    Unavailable,
)
from spa_ops.sync.pokes import CHANNEL, QUIET_SECONDS, plain
from spa_ops.sync.queries import feed_head
from spa_ops.tenancy.authentication import bearer
from spa_ops.unit.work import reading
from spa_ops.web.problems import MEDIA_TYPE, document

PREFIX = "/api/v1/stream/"
HEARTBEAT_SECONDS = 15.0
#: A lost poke is made good by looking, at the latest after this.
LOOK_SECONDS = 10.0
MOST_STREAMS = 500
log = logging.getLogger("spa_ops.sync")


def _admitted(authorization: str, acting: str, feed_id: UUID) -> tuple[Actor, int]:
    """Who is calling and where the feed stands; the same rules as pulling it. Raises problems."""
    close_old_connections()
    actor = bearer(authorization, acting)
    if actor.role is Role.INSPECTOR:
        raise NotAllowed(needed="a role that pulls feeds")
    if feed_id != actor.business_id and not actor.covers(feed_id):
        raise NotFound
    with reading(actor.business_id):
        return actor, feed_head(feed_id)[1]


class Hub:
    """The process's listeners: who waits for which feed."""

    def __init__(self) -> None:
        self.waiting: dict[UUID, set[asyncio.Event]] = defaultdict(set)
        self.count = 0
        self.listener: asyncio.Task[None] | None = None

    def join(self, feed_id: UUID) -> asyncio.Event:
        """An event that is set whenever the feed may have moved; raises `Unavailable` when full."""
        if self.count >= MOST_STREAMS:
            raise Unavailable(reason="Too many streams on this process; poll instead.")
        if self.listener is None or self.listener.done():
            self.listener = asyncio.create_task(self._listen())
        self.count += 1
        event = asyncio.Event()
        self.waiting[feed_id].add(event)
        return event

    def leave(self, feed_id: UUID, event: asyncio.Event) -> None:
        """The stream is over."""
        self.count -= 1
        self.waiting[feed_id].discard(event)
        if not self.waiting[feed_id]:
            del self.waiting[feed_id]

    async def _listen(self) -> None:
        while True:
            try:
                parameters = plain(connections["default"].get_connection_params())
                async with await psycopg.AsyncConnection.connect(
                    **parameters, autocommit=True
                ) as connection:
                    await connection.execute(f"LISTEN {CHANNEL}")
                    async for notice in connection.notifies():
                        with suppress(ValueError):
                            for event in self.waiting.get(UUID(notice.payload), ()):
                                event.set()
            except psycopg.Error as error:
                log.warning("listening for pokes failed, again in a second: %s", error)
                await asyncio.sleep(1)


hub = Hub()


async def serve(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """One HTTP request to the stream process."""
    try:
        if not scope["path"].startswith(PREFIX):
            raise NotFound
        if scope["method"] != "GET":
            raise MethodNotAllowed
        feed_id = _uuid(scope["path"].removeprefix(PREFIX))
        headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
        credentials = (headers.get("authorization", ""), headers.get("acting-person", ""))
        _, head = await asyncio.to_thread(_admitted, *credentials, feed_id)
        event = hub.join(feed_id)
    except Problem as problem:
        await _refuse(problem, send)
        return
    try:
        await _run(feed_id, credentials, head, _last_seen(headers), event, receive, send)
    finally:
        hub.leave(feed_id, event)


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise NotFound from None


def _last_seen(headers: dict[str, str]) -> int | None:
    text = headers.get("last-event-id", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


async def _refuse(problem: Problem, send: Any) -> None:
    body = json.dumps(document(problem, ""), default=str).encode()
    headers = [(b"content-type", MEDIA_TYPE.encode())]
    if problem.status == 401:
        headers.append((b"www-authenticate", b'Bearer realm="spa operations"'))
    await send({"type": "http.response.start", "status": problem.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


async def _run(
    feed_id: UUID,
    credentials: tuple[str, str],
    head: int,
    last_seen: int | None,
    event: asyncio.Event,
    receive: Any,
    send: Any,
) -> None:
    headers = [(b"content-type", b"text/event-stream"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    told = last_seen if last_seen is not None else -1
    gone = asyncio.create_task(_disconnected(receive))
    quiet = 0.0
    try:
        while not gone.done():
            if head != told:
                told, quiet = head, 0.0
                data = json.dumps({"feed": str(feed_id), "head": head})
                await _write(send, f"event: poke\nid: {head}\ndata: {data}\n\n")
            elif quiet >= HEARTBEAT_SECONDS:
                quiet = 0.0
                await _write(send, ": still here\n\n")
            waited = asyncio.create_task(event.wait())
            await asyncio.wait({waited, gone}, timeout=LOOK_SECONDS, return_when="FIRST_COMPLETED")
            waited.cancel()
            quiet += LOOK_SECONDS
            if event.is_set():
                # One poke stands for all that was written in the second after it.
                await asyncio.sleep(QUIET_SECONDS)
                event.clear()
            # Looked up anew each time: a revoked token or a changed role ends the stream here.
            _, head = await asyncio.to_thread(_admitted, *credentials, feed_id)
    except Problem as problem:
        await _write(
            send, f"event: end\ndata: {json.dumps({'type': f'/problems/{problem.slug}'})}\n\n"
        )
    finally:
        gone.cancel()
        with suppress(Exception):
            await send({"type": "http.response.body", "body": b""})


async def _disconnected(receive: Any) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _write(send: Any, text: str) -> None:
    await send({"type": "http.response.body", "body": text.encode(), "more_body": True})
