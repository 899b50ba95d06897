"""The pull: what changed in a feed since a cursor. Reads only."""

import base64
import binascii
from dataclasses import dataclass
from hashlib import sha256
from typing import Any
from uuid import UUID

from django.db import connection

from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import NotFound
from spa_ops.sync.problems import CursorGone, CursorMalformed
from spa_ops.web.entities import ENTITIES

#: The schema number of the bodies in this program; a device names the one it understands.
SCHEMA = 1
MAX_CHANGES = 2000
MAX_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True)
class _Cursor:
    feed: UUID
    epoch: UUID
    seq: int
    role: str
    digest: str

    def text(self) -> str:
        plain = f"{self.feed.hex}.{self.epoch.hex}.{self.seq}.{self.role}.{self.digest}"
        return base64.urlsafe_b64encode(plain.encode()).decode().rstrip("=")


def _parse(text: str) -> _Cursor:
    try:
        plain = base64.b64decode(
            text + "=" * (-len(text) % 4), altchars=b"-_", validate=True
        ).decode("ascii")
        feed, epoch, seq, role, digest = plain.split(".")
        number = int(seq)
        if not 0 <= number < 2**63:
            raise CursorMalformed
        cursor = _Cursor(UUID(feed), UUID(epoch), number, role, digest)
        if cursor.text() != text:  # one cursor has one text: no other case, padding or zeros
            raise CursorMalformed
        return cursor
    except (ValueError, binascii.Error) as error:
        raise CursorMalformed from error


def _digest(*parts: Any) -> str:
    return sha256("|".join(str(p) for p in parts).encode()).hexdigest()[:16]


def _cursor_at(feed: UUID, epoch: UUID, seq: int, role: Role | None) -> _Cursor:
    row: Any = None
    if seq:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT entity, entity_id, version, op FROM sync_change WHERE feed_id = %s AND seq = %s",
                [feed, seq],
            )
            row = cursor.fetchone()
    return _Cursor(
        feed, epoch, seq, role or "", _digest(feed, epoch, seq, role or "", *(row or ()))
    )


def feed_head(feed_id: UUID) -> tuple[UUID, int, int]:
    """(epoch, head, floor) of a feed; raises `NotFound`."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT epoch, head, floor FROM sync_feed WHERE id = %s", [feed_id])
        row = cursor.fetchone()
    if row is None:
        raise NotFound
    return row


def _checked(text: str, feed_id: UUID, role: Role | None) -> _Cursor:
    epoch, head, floor = feed_head(feed_id)
    cursor = _parse(text)
    reason = None
    if cursor.feed != feed_id:
        raise CursorMalformed
    if cursor.epoch != epoch:
        reason = "epoch-changed"
    elif cursor.role != (role or ""):
        reason = "role-changed"
    elif cursor.seq > head:
        reason = "ahead"
    elif cursor.seq < floor:
        reason = "expired"
    elif _cursor_at(feed_id, epoch, cursor.seq, role) != cursor:
        reason = "history-changed"
    if reason:
        raise CursorGone(reason=reason)
    return cursor


def pull(feed_id: UUID, actor: Actor, *, cursor_text: str | None, limit: int) -> dict[str, Any]:
    """Changes after the cursor, newest pointer per entity, with present bodies: one snapshot.

    Must run in one repeatable-read transaction. Returns `changes` as JSON text, `cursor` and
    `has_more`: when that is false, whoever applied every page equals the server. An entity that
    the role may not read is left out. Raises `CursorMalformed`, `CursorGone`, `NotFound`.
    """
    epoch, head, floor = feed_head(feed_id)
    if cursor_text:
        start = _checked(cursor_text, feed_id, actor.role).seq
    elif floor:
        raise CursorGone(reason="expired")
    else:
        start = 0
    rows = _changes(feed_id, actor, start, min(limit, MAX_CHANGES))
    kept, size, last = [], 0, min(start + limit, head)
    for row in rows:
        size += len(row[1])
        if size > MAX_BYTES and kept:
            # Pages end between changes: what does not fit comes first in the next one.
            last = kept[-1][0]
            break
        kept.append(row)
    return {
        "changes": "[" + ",".join(r[1] for r in kept) + "]",
        "cursor": _cursor_at(feed_id, epoch, last, actor.role).text(),
        "has_more": last < head,
        "schema": SCHEMA,
    }


def _changes(feed_id: UUID, actor: Actor, start: int, limit: int) -> list[tuple[int, str]]:
    readable = [e for e in ENTITIES.values() if actor.role is None or actor.role in e.readers]
    arms = " UNION ALL ".join(
        f"SELECT p.seq, p.entity, p.entity_id, p.op, {e.version} AS version, "
        f"CASE WHEN p.op = 'upsert' THEN ({e.body_for(actor.role)})::text END AS body "
        f"FROM p LEFT JOIN {e.table} e ON e.id = p.entity_id WHERE p.entity = '{e.name}'"
        for e in readable
    )
    with connection.cursor() as cursor:
        cursor.execute(
            "WITH w AS MATERIALIZED (SELECT c.seq, c.entity, c.entity_id, c.op FROM sync_change c "
            "WHERE c.feed_id = %s AND c.seq > %s AND c.seq <= %s), "
            "p AS MATERIALIZED (SELECT DISTINCT ON (w.entity, w.entity_id) w.* FROM w "
            f"ORDER BY w.entity, w.entity_id, w.seq DESC), a AS ({arms}) "
            'SELECT a.seq, \'{"seq":\' || a.seq || \',"entity":"\' || a.entity || \'","id":"\' || '
            'a.entity_id || \'","op":"\' || a.op || \'","version":\' || coalesce(a.version, 0) || '
            "',\"body\":' || coalesce(a.body, 'null') || '}' FROM a ORDER BY a.seq",
            [feed_id, start, start + limit],
        )
        return cursor.fetchall()


def drift() -> list[tuple[str, UUID, int]]:
    """Synced rows whose present version no feed carries: what a forgotten publish leaves behind.

    Within the business that is set. Empty is right; rows that belong to no feed yet do not count.
    """
    arms = " UNION ALL ".join(
        f"SELECT '{e.name}', e.id, {e.version} FROM {e.table} e WHERE NOT EXISTS (SELECT FROM sync_change c "
        f"WHERE c.entity = '{e.name}' AND c.entity_id = e.id AND c.version = {e.version})"
        for e in ENTITIES.values()
    )
    with connection.cursor() as cursor:
        cursor.execute(arms)
        return cursor.fetchall()
