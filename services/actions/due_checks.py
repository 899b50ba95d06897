"""The sweep of what is due: raised, made louder with age, cleared when done. No person writes it."""

import struct
from collections.abc import Mapping
from datetime import datetime
from hashlib import sha256
from typing import Any
from uuid import UUID

from django.db import connection

from services.models import DueCheck
from services.queries import due_checks as queries
from services.queries.due_checks import Key, Source
from services.rules.due_checks import DueKind, OpenCheck, Standing, check_changes, settled
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put_each
from spa_ops.unit.work import action, current


@action
def sweep_due_checks(
    *, actor: Actor, now: datetime, location_id: UUID, kind: DueKind, most: int = 500
) -> int:
    """Raise what is due of one kind, make it louder with age, clear what is done; gives how many changed.

    Up to `most` of each, so call it until it gives 0. Any number may run at once, and any may be
    killed: each thing is raised once, and once for each level.
    """
    _one_at_a_time(location_id, kind)
    place = Location.objects.get(id=location_id)
    origin = queries.SOURCES[kind]
    standing = list(origin.standing(place, now))
    rows = queries.open_checks(place, kind)
    changes = check_changes(
        standing,
        [OpenCheck(subject_id=s, due_at=d, level=row.level) for (s, d), row in rows.items()],
        after=queries.thresholds_of(place).of(origin.pace),
        now=now,
    )
    new = dict(list(changes.to_raise.items())[:most])
    louder = dict(list(changes.to_escalate.items())[:most])
    over = list(changes.to_clear)[:most]
    _raise(place, origin, new, now)
    _escalate(
        origin, {rows[one.key].id: (rows[one.key], level) for one, level in louder.items()}, now
    )
    _clear(place, origin, [(one, rows[one.key]) for one in over], now)
    return len(new) + len(louder) + len(over)


def _one_at_a_time(location_id: UUID, kind: DueKind) -> None:
    name = sha256(f"due checks/{location_id}/{kind}".encode()).digest()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", struct.unpack(">q", name[:8]))


def _raise(place: Location, origin: Source, new: Mapping[Standing, int], now: datetime) -> None:
    if not new:
        return
    # What had been cleared and is to be done after all (a record was struck out) is open again.
    known = queries.cleared_checks(place, origin.kind, [one.key for one in new])
    made, again = [], []
    for one, level in new.items():
        row = known.get(one.key)
        if row is None:
            row = DueCheck(
                business_id=place.business_id,
                location=place,
                kind=origin.kind.value,
                subject_id=one.subject_id,
                due_at=one.due_at,
                level=level,
            )
            made.append(row)
        else:
            again.append(row)
        row.what, row.raised_at, row.level = one.what[:200], now, max(row.level, level)
        row.cleared_at, row.outcome, row.late = None, "", row.level > 0
    put_each(made)
    put_each(again, fields=["what", "raised_at", "level", "cleared_at", "outcome", "late"])
    raise_at = {one.key: one.raise_at for one in new}
    for row in made + again:
        _evidence(
            origin,
            "due_check.raised",
            row,
            {"level": row.level, "raise_at": raise_at[row.subject_id, row.due_at]},
        )


def _escalate(origin: Source, louder: Mapping[UUID, tuple[DueCheck, int]], now: datetime) -> None:
    rows = []
    for row, level in louder.values():
        row.level, row.escalated_at, row.late = level, now, True
        rows.append(row)
    put_each(rows, fields=["level", "escalated_at", "late"])
    for row in rows:
        _evidence(origin, "due_check.escalated", row, {"level": row.level})


def _clear(
    place: Location, origin: Source, over: list[tuple[OpenCheck, DueCheck]], now: datetime
) -> None:
    if not over:
        return
    keys = [one.key for one, _ in over]
    done: Mapping[Key, datetime] = origin.done_at(place, keys) if origin.done_at else {}
    for one, row in over:
        end = settled(one, done.get(one.key), is_known=origin.done_at is not None, now=now)
        row.cleared_at, row.outcome, row.late = end.at, end.outcome.value, end.late
    put_each([row for _, row in over], fields=["cleared_at", "outcome", "late"])
    for _, row in over:
        facts = {"outcome": row.outcome, "cleared_at": row.cleared_at, "late": row.late}
        _evidence(origin, "due_check.cleared", row, facts)


def _evidence(origin: Source, kind: str, row: DueCheck, facts: dict[str, Any]) -> None:
    if not origin.for_inspectors:
        return
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.subject_id,
        facts={
            "due_check_id": row.id,
            "kind": row.kind,
            "subject_id": row.subject_id,
            "due_at": row.due_at,
            **facts,
        },
    )
