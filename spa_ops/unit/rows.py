"""Writing synced rows: the version rises, the change is collected. Nothing else writes them."""

from collections.abc import Sequence
from functools import cache
from typing import Any, TypeVar

from django.db import DEFAULT_DB_ALIAS, connection, connections, models

from spa_ops.kernel.problems import StaleVersion
from spa_ops.unit.work import current

M = TypeVar("M", bound=models.Model)


def put(row: Any, *, fields: list[str] | None = None) -> None:
    """Insert a new synced row, or update `fields` (default: all) of a loaded one, and publish it.

    Raises `StaleVersion` when somebody else wrote the row since it was loaded.
    """
    if row._state.adding:
        row.version = 1
        insert([row])
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


def insert(rows: Sequence[models.Model]) -> None:
    """Insert new rows of one model in one statement, publishing nothing; a synced row needs `put`.

    What `save(force_insert=True)` does, without building the same statement anew each time, which
    cost more than running it. A column with a default of the database's gets that default.
    """
    fields, start, one = _insertion(type(rows[0]))
    # The connection itself: its proxy looks it up anew with every attribute.
    database = connections[DEFAULT_DB_ALIAS]
    values = [
        field.get_db_prep_save(getattr(row, field.attname), database)
        for row in rows
        for field in fields
    ]
    with database.cursor() as cursor:
        cursor.execute(start + ", ".join([one] * len(rows)), values)
    for row in rows:
        row._state.adding, row._state.db = False, database.alias


@cache
def _insertion(model: type[models.Model]) -> tuple[tuple[Any, ...], str, str]:
    fields = tuple(f for f in model._meta.local_concrete_fields if not f.has_db_default())
    quote = connection.ops.quote_name
    columns = ", ".join(quote(field.column) for field in fields)
    marks = ", ".join(
        field.get_placeholder(None, None, connection) if hasattr(field, "get_placeholder") else "%s"
        for field in fields
    )
    return fields, f"INSERT INTO {quote(model._meta.db_table)} ({columns}) VALUES ", f"({marks})"


def from_json(model: type[M], columns: dict[str, Any]) -> M:
    """The row that PostgreSQL gave as `to_jsonb(row)`, as an instance. Not for columns of bytes."""
    fields = model._meta.local_concrete_fields
    names = [field.attname for field in fields]
    values = [field.to_python(columns[field.column]) for field in fields]
    return model.from_db(connection.alias, names, values)
