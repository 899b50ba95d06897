"""Writing synced rows: the version rises, the change is collected. Nothing else writes them."""

from collections.abc import Callable, Sequence
from datetime import date, datetime
from functools import cache, lru_cache
from itertools import groupby
from typing import Any, TypeVar
from uuid import UUID

from django.db import DEFAULT_DB_ALIAS, connection, connections, models

from spa_ops.kernel.problems import StaleVersion
from spa_ops.unit.work import current

M = TypeVar("M", bound=models.Model)


def put(row: Any, *, fields: list[str] | None = None, along: Sequence[models.Model] = ()) -> None:
    """Insert a new synced row, or update `fields` (default: all) of a loaded one, and publish it.

    A new row takes `along`, in the same statement, new rows that belong to it and are not synced
    themselves. Raises `StaleVersion` when somebody else wrote the row since it was loaded.
    """
    if row._state.adding:
        row.version = 1
        insert([row, *along])
    else:
        names = (
            fields
            if fields is not None
            else [f.name for f in row._meta.local_concrete_fields if not f.primary_key]
        )
        changed = {name: getattr(row, name) for name in names if name != "version"}
        matched = type(row)._default_manager.filter(id=row.id, version=row.version)
        if matched.update(**changed, version=models.F("version") + 1) != 1:
            raise StaleVersion(current_version=row.version)
        row.version += 1
    current().publish(
        entity=row.entity, entity_id=row.id, version=row.version, feeds=tuple(row.feed_ids())
    )


def touch(rows: Sequence[Any]) -> None:
    """Publish locked synced rows of one model whose parts were written: version + 1, in one statement.

    Raises `StaleVersion` when somebody else wrote one since it was loaded.
    """
    put_each(rows, fields=())


def put_each(rows: Sequence[Any], *, fields: Sequence[str] = ()) -> None:
    """`put` for many rows of one model, all new or all loaded, each with its own values: one statement.

    `fields` are those of loaded rows to write; columns of JSON are not for this. Raises
    `StaleVersion` when somebody else wrote one since it was loaded.
    """
    if not rows:
        return
    if rows[0]._state.adding:
        for row in rows:
            row.version = 1
        insert(rows)
    else:
        _update_each(rows, fields)
        for row in rows:
            row.version += 1
    for row in rows:
        current().publish(
            entity=row.entity, entity_id=row.id, version=row.version, feeds=tuple(row.feed_ids())
        )


def _update_each(rows: Sequence[Any], names: Sequence[str]) -> None:
    model, database = type(rows[0]), connections[DEFAULT_DB_ALIAS]
    fields = [model._meta.get_field(name) for name in names]
    quote = connection.ops.quote_name
    changes = "".join(f", {quote(field.column)} = k.c{n}" for n, field in enumerate(fields))
    kinds = ["uuid", "int", *(field.db_type(database) for field in fields)]
    columns = ", ".join(["id", "version", *(f"c{n}" for n in range(len(fields)))])
    values = [
        [field.get_db_prep_save(getattr(row, field.attname), database) for row in rows]
        for field in fields
    ]
    with database.cursor() as cursor:
        cursor.execute(
            f"UPDATE {quote(model._meta.db_table)} r SET version = r.version + 1{changes} "
            f"FROM unnest({', '.join(f'%s::{kind}[]' for kind in kinds)}) AS k({columns}) "
            "WHERE r.id = k.id AND r.version = k.version",
            [[row.id for row in rows], [row.version for row in rows], *values],
        )
        if cursor.rowcount != len(rows):
            raise StaleVersion(current_version=None)


def insert(rows: Sequence[models.Model]) -> None:
    """Insert new rows in one statement, publishing nothing; a synced row needs `put`.

    Rows of one model stand together. What `save(force_insert=True)` does, without building the same
    statement anew each time, which cost more than running it. A column with a default of the
    database's gets that default.
    """
    # The connection itself: its proxy looks it up anew with every attribute.
    database = connections[DEFAULT_DB_ALIAS]
    groups, values = [], []
    for model, same in groupby(rows, type):
        own = list(same)
        some = [
            value
            if type(value) is plain and (plain is not datetime or value.tzinfo is not None)
            else field.get_db_prep_save(value, database)
            for row in own
            for field, name, plain in _columns(model)
            for value in (getattr(row, name),)
        ]
        # Of a single row the statement itself says NULL: the driver keeps short lists of values prepared.
        nulls = frozenset(i for i, v in enumerate(some) if v is None and len(own) == 1)
        groups.append((model, len(own), nulls))
        values += [v for i, v in enumerate(some) if i not in nulls]
    with database.cursor() as cursor:
        cursor.execute(_insertion(tuple(groups)), values)
    for row in rows:
        row._state.adding, row._state.db = False, database.alias


#: What these columns take and give as it is; asking the field about each value cost more than sending it.
_PLAIN: dict[Any, type] = {
    models.UUIDField: UUID,
    models.CharField: str,
    models.TextField: str,
    models.DateField: date,
    models.DateTimeField: datetime,
    models.BooleanField: bool,
    models.PositiveIntegerField: int,
    models.PositiveSmallIntegerField: int,
}


@cache
def _columns(model: type[models.Model]) -> tuple[tuple[Any, str, type | None], ...]:
    """Each column's field, the attribute that has its value, and the type that needs no preparing."""
    return tuple(
        (f, f.attname, _PLAIN.get(type(f.target_field if f.remote_field else f)))
        for f in model._meta.local_concrete_fields
        if not f.has_db_default()
    )


@lru_cache(maxsize=500)
def _insertion(groups: tuple[tuple[type[models.Model], int, frozenset[int]], ...]) -> str:
    """One statement for so many rows of each model; references are checked at its end."""
    *others, last = (_insertion_of(*group) for group in groups)
    if not others:
        return last
    parts = ", ".join(f"part_{i} AS ({other})" for i, other in enumerate(others))
    return f"WITH {parts} {last}"


def _insertion_of(model: type[models.Model], many: int, nulls: frozenset[int]) -> str:
    quote = connection.ops.quote_name
    fields = [field for field, _, _ in _columns(model)]
    columns = ", ".join(quote(field.column) for field in fields)
    marks = ", ".join("NULL" if i in nulls else _mark(field) for i, field in enumerate(fields))
    values = ", ".join([f"({marks})"] * many)
    return f"INSERT INTO {quote(model._meta.db_table)} ({columns}) VALUES {values}"


def _mark(field: Any) -> str:
    known = hasattr(field, "get_placeholder")
    return field.get_placeholder(None, None, connection) if known else "%s"


def from_json(model: type[M], columns: dict[str, Any]) -> M:
    """The row that PostgreSQL gave as `to_jsonb(row)`, as an instance. Not for columns of bytes."""
    names, known = _readers(model)
    values = [
        value if value is None or type(value) is plain else read(value)
        for column, plain, read in known
        for value in (columns[column],)
    ]
    return model.from_db(DEFAULT_DB_ALIAS, names, values)


@cache
def _readers(
    model: type[models.Model],
) -> tuple[list[str], list[tuple[str, type | None, Callable[[Any], Any]]]]:
    """A model's attributes; and of each its column, the type that needs no reading, and what reads."""
    fields = model._meta.local_concrete_fields
    known = [(f.column, _PLAIN.get(type(f)), f.to_python) for f in fields]
    return [f.attname for f in fields], known
