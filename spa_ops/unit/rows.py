"""Writing synced rows: the version rises, the change is collected. Nothing else writes them."""

from typing import Any

from django.db import models

from spa_ops.kernel.problems import StaleVersion
from spa_ops.unit.work import current


def put(row: Any, *, fields: list[str] | None = None) -> None:
    """Insert a new synced row, or update `fields` (default: all) of a loaded one, and publish it.

    Raises `StaleVersion` when somebody else wrote the row since it was loaded.
    """
    if row._state.adding:
        row.version = 1
        row.save(force_insert=True)
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
