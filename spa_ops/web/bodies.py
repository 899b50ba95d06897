"""Bodies of rows as JSON text made in SQL: one row, or a page of them. Reads only."""

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import connection

from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.web.entities import Entity


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One row as the API and the feed show it: JSON text, its id and version."""

    id: UUID
    version: int
    json: str


def body(entity: Entity, entity_id: UUID, actor: Actor) -> Body:
    """The present body of one row; `NotFound` if it is not there or not within the actor's reach."""
    where, params = _reach(entity, actor)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT e.id, {entity.version}, ({entity.body_for(actor.role)})::text "
            f"FROM {entity.table} e WHERE e.id = %s{where}",
            [entity_id, *params],
        )
        row = cursor.fetchone()
    if row is None:
        raise NotFound
    return Body(id=row[0], version=row[1], json=row[2])


def require(entity: Entity, entity_id: UUID, actor: Actor) -> None:
    """`NotFound` unless the row is there and within the actor's reach."""
    where, params = _reach(entity, actor)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT 1 FROM {entity.table} e WHERE e.id = %s{where}", [entity_id, *params]
        )
        if cursor.fetchone() is None:
            raise NotFound


def _reach(entity: Entity, actor: Actor) -> tuple[str, list[Any]]:
    if entity.location is None or actor.location_id is None:
        return "", []
    return f" AND {entity.location} = %s", [actor.location_id]


def page(
    entity: Entity,
    actor: Actor,
    *,
    where: list[tuple[str, list[Any]]],
    order: str = "e.id",
    order_type: str = "uuid",
    after: tuple[str, str] | None,
    limit: int,
) -> tuple[list[str], tuple[str, str] | None]:
    """Up to `limit` bodies in (order, id) order after the position `after`, and the next position.

    `where` holds SQL conditions over `e` with their parameters; one statement whatever the rows.
    """
    reach, params = _reach(entity, actor)
    conditions = " AND ".join(["true", *(sql for sql, _ in where)]) + reach
    values = [v for _, vs in where for v in vs] + params
    if after is not None:
        conditions += f" AND ({order}, e.id) > (%s::{order_type}, %s::uuid)"
        values += list(after)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT ({order})::text, e.id::text, ({entity.body_for(actor.role)})::text "
            f"FROM {entity.table} e WHERE {conditions} ORDER BY {order}, e.id LIMIT %s",
            [*values, limit + 1],
        )
        rows = cursor.fetchall()
    more = len(rows) > limit
    rows = rows[:limit]
    return [r[2] for r in rows], (rows[-1][0], rows[-1][1]) if more else None
