"""Server-sent events: `GET /api/v1/stream/{feed}` tells that a feed has moved, never what.

One LISTEN connection a process. A stream begins with the feed's head, is poked when it moves, and
ends when its token does. Whoever reconnects with `Last-Event-ID` is poked at once if it moved.
"""

import asyncio
import json
import logging
import time
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any
from urllib.parse import parse_qs
from uuid import UUID

import psycopg
from django.db import Error, close_old_connections, connections

from spa_ops.kernel import clock
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import (
    ActingPersonRequired,
    MethodNotAllowed,
    NotAllowed,
    NotFound,
    Problem,
    Unavailable,
)
from spa_ops.sync.api.views import PullChanges
from spa_ops.sync.pokes import CHANNEL, QUIET_SECONDS, plain
from spa_ops.sync.queries import feed_head
from spa_ops.tenancy.authentication import bearer
from spa_ops.unit.work import reading
from spa_ops.web import limits
from spa_ops.web.problems import MEDIA_TYPE, document

PREFIX = "/api/v1/stream/"
HEARTBEAT_SECONDS = 15.0
#: A lost poke is made good by looking, and an ended token ends its stream, at the latest after this.
LOOK_SECONDS = 10.0
MOST_STREAMS = 500
log = logging.getLogger("spa_ops.sync")
#: Looks are short; each of these threads keeps one connection to the database.
_lookers = ThreadPoolExecutor(max_workers=2, thread_name_prefix="look")


def _admitted(credentials: tuple[str, str], feed_id: UUID, *, first: bool) -> int:
    """Where the feed stands, for whoever may pull it now. Raises the problems of pulling."""
    close_old_connections()
    actor = bearer(*credentials)
    if first:
        limits.spend(actor, clock.now())
    allowed = PullChanges.access["GET"]
    if actor.role not in allowed:
        if actor.device_id is not None:
            raise ActingPersonRequired
        raise NotAllowed(needed=", ".join(sorted(allowed)))
    if feed_id != actor.business_id and not actor.covers(feed_id):
        raise NotFound
    with reading(actor.business_id):
        return feed_head(feed_id)[1]


async def _look(credentials: tuple[str, str], feed_id: UUID, *, first: bool = False) -> int:
    def look() -> int:
        try:
            return _admitted(credentials, feed_id, first=first)
        except Error as error:
            raise Unavailable(reason="The database does not answer.") from error

    return await asyncio.get_running_loop().run_in_executor(_lookers, look)


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
                await self._pass_on()
            except psycopg.Error as error:
                log.warning("listening for pokes failed, again in a second: %s", error)
                await asyncio.sleep(1)

    async def _pass_on(self) -> None:
        parameters = plain(connections["default"].get_connection_params())
        async with await psycopg.AsyncConnection.connect(
            **parameters, autocommit=True
        ) as connection:
            await connection.execute(f"LISTEN {CHANNEL}")
            # Whatever was poked while nobody listened.
            for event in [event for waiting in self.waiting.values() for event in waiting]:
                event.set()
            async for notice in connection.notifies():
                with suppress(ValueError):
                    for event in self.waiting.get(UUID(notice.payload), ()):
                        event.set()


hub = Hub()


async def serve(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """One HTTP request to the stream process."""
    try:
        if not scope["path"].startswith(PREFIX):
            raise NotFound
        if scope["method"] != "GET":
            raise MethodNotAllowed
        feed_id = _uuid(scope["path"].removeprefix(PREFIX))
        # Joined before the first look, so that what moves in between is heard.
        event = hub.join(feed_id)
    except Problem as problem:
        await _refuse(problem, send)
        return
    try:
        headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
        credentials = (headers.get("authorization", ""), headers.get("acting-person", ""))
        head = await _look(credentials, feed_id, first=True)
        await _run(feed_id, credentials, head, _last_seen(scope, headers), event, receive, send)
    except Problem as problem:
        await _refuse(problem, send)
    finally:
        hub.leave(feed_id, event)


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise NotFound from None


def _last_seen(scope: dict[str, Any], headers: dict[str, str]) -> int | None:
    """The head that the caller knows, if it says a number; otherwise it is told at once."""
    asked = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("head", [""])[0]
    text = headers.get("last-event-id") or asked
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None


async def _refuse(problem: Problem, send: Any) -> None:
    request_id = str(uuid7())
    body = json.dumps(document(problem, f"urn:uuid:{request_id}"), default=str).encode()
    headers = {"content-type": MEDIA_TYPE, "cache-control": "no-store", "request-id": request_id}
    if problem.status == 401:
        headers["www-authenticate"] = 'Bearer realm="spa operations"'
    if problem.status == 405:
        headers["allow"] = "GET"
    if problem.status == 503:
        headers["retry-after"] = "5"
    if "retry_after_seconds" in problem.fields:
        headers["retry-after"] = str(problem.fields["retry_after_seconds"])
    plain_headers = [(k.encode(), v.encode()) for k, v in headers.items()]
    await send({"type": "http.response.start", "status": problem.status, "headers": plain_headers})
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
    headers = [
        (b"content-type", b"text/event-stream"),
        (b"cache-control", b"no-store"),
        (b"x-accel-buffering", b"no"),  # a proxy must not keep events back
    ]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    told = last_seen if last_seen is not None else -1
    gone = asyncio.create_task(_disconnected(receive))
    wrote = time.monotonic()
    try:
        while not gone.done():
            if head != told:
                told, wrote = head, time.monotonic()
                data = json.dumps({"feed": str(feed_id), "head": head})
                await _write(send, f"event: poke\nid: {head}\ndata: {data}\n\n")
            elif time.monotonic() - wrote >= HEARTBEAT_SECONDS:
                wrote = time.monotonic()
                await _write(send, ": still here\n\n")
            until_heartbeat = wrote + HEARTBEAT_SECONDS - time.monotonic()
            await _woken(event, gone, min(LOOK_SECONDS, max(until_heartbeat, 0.05)))
            # Looked up anew each time: a revoked token or a changed role ends the stream here.
            head = await _look(credentials, feed_id)
    except Problem as problem:
        end = json.dumps({"type": f"/problems/{problem.slug}"})
        await _write(send, f"event: end\ndata: {end}\n\n")
    finally:
        gone.cancel()
        with suppress(Exception):
            await send({"type": "http.response.body", "body": b""})


async def _woken(event: asyncio.Event, gone: asyncio.Task[None], seconds: float) -> None:
    waited = asyncio.create_task(event.wait())
    await asyncio.wait({waited, gone}, timeout=seconds, return_when="FIRST_COMPLETED")
    waited.cancel()
    if event.is_set() and not gone.done():
        # One poke stands for all that is written in the second after it.
        await asyncio.sleep(QUIET_SECONDS)
        event.clear()


async def _disconnected(receive: Any) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _write(send: Any, text: str) -> None:
    await send({"type": "http.response.body", "body": text.encode(), "more_body": True})
