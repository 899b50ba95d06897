"""How tenant tables are declared: base class, composite references, append-only marks.

Row-level security does not check foreign keys, so every reference between tenant tables is
(business_id, x_id) to UNIQUE (business_id, id), and it is not deferrable: a deferred check locks
the parent at commit, after the feed row, and deadlocked in a trial.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.apps.registry import Apps
from django.db import models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.backends.ddl_references import Statement
from django.db.models.constraints import BaseConstraint

from spa_ops.kernel.ids import uuid7


class TenantReference(BaseConstraint):
    """FOREIGN KEY (business_id, column) REFERENCES table (business_id, id), checked at once."""

    def __init__(self, *, column: str, table: str, name: str) -> None:
        super().__init__(name=name)
        self.column = column
        self.table = table

    def _definition(self, schema_editor: BaseDatabaseSchemaEditor) -> str:
        quote = schema_editor.quote_name
        return (
            f"CONSTRAINT {quote(self.name)} FOREIGN KEY (business_id, {quote(self.column)}) "
            f"REFERENCES {quote(self.table)} (business_id, id)"
        )

    def constraint_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> None:
        self.create_sql(model, schema_editor)

    def create_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> None:
        # Added last: the tables of the same migration, and their unique constraints, are there then.
        table = schema_editor.quote_name(model._meta.db_table)
        schema_editor.deferred_sql.append(
            Statement(f"ALTER TABLE {table} ADD {self._definition(schema_editor)}")
        )

    def remove_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> Statement:
        quote = schema_editor.quote_name
        return Statement(
            f"ALTER TABLE {quote(model._meta.db_table)} DROP CONSTRAINT {quote(self.name)}"
        )

    def validate(self, *args: Any, **kwargs: Any) -> None:
        """The database decides."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, TenantReference) and self.deconstruct() == other.deconstruct()

    def deconstruct(self) -> tuple[str, tuple[Any, ...], dict[str, Any]]:
        path, args, kwargs = super().deconstruct()
        return path, args, {**kwargs, "column": self.column, "table": self.table}


class TenantForeignKey(models.ForeignKey):
    """A reference whose database constraint is the composite one from `tenant_constraints`."""

    def __init__(self, to: Any, **kwargs: Any) -> None:
        kwargs.update(on_delete=models.DO_NOTHING, db_constraint=False, related_name="+")
        super().__init__(to, **kwargs)

    def deconstruct(self) -> tuple[str, str, list[Any], dict[str, Any]]:
        name, path, args, kwargs = super().deconstruct()
        for fixed in ("on_delete", "db_constraint", "related_name"):
            kwargs.pop(fixed, None)
        return name, path, args, kwargs


def tenant_constraints(table: str, **references: str) -> list[BaseConstraint]:
    """UNIQUE (business_id, id) for `table`, and one composite reference per `field="other_table"`."""
    unique = models.UniqueConstraint(fields=["business_id", "id"], name=f"{table}_tenant")
    return [
        unique,
        *(
            TenantReference(column=f"{field}_id", table=target, name=f"{table}_{field}_ref")
            for field, target in references.items()
        ),
    ]


class TenantModel(models.Model):
    """A row of one business. The id is a UUIDv7 made by whoever creates the record."""

    id = models.UUIDField(primary_key=True, default=uuid7)
    business_id = models.UUIDField()

    class Meta:
        abstract = True


class SyncedModel(TenantModel):
    """A row that devices hold: `version` rises by one with every write, each write is in a feed."""

    #: The entity's name in the feed.
    entity: str
    version = models.PositiveIntegerField(default=0)

    class Meta:
        abstract = True

    def feed_ids(self) -> tuple[Any, ...]:
        """The feeds that carry this row: its location's, unless a model says otherwise."""
        return (self.location_id,)  # type: ignore[attr-defined]


#: Tables in which the program may add and read but never change or remove.
APPEND_ONLY: set[str] = set()


def append_only(model: type[models.Model]) -> type[models.Model]:
    """Class decorator: the app role gets SELECT and INSERT only, and a trigger refuses the rest."""
    APPEND_ONLY.add(model._meta.db_table)
    return model


#: Of some append-only tables the one column of free words about a client, with the reference and the
#: table through which the client is found: when the client is erased it is blanked, and nothing else.
ERASABLE_WORDS: dict[str, tuple[str, str, str]] = {}


def words_go_with_the_client(
    column: str, *, by: str, of: str
) -> Callable[[type[models.Model]], type[models.Model]]:
    """Class decorator: `column` may be blanked once the client whom `of`, named in `by`, has is erased."""

    def mark(model: type[models.Model]) -> type[models.Model]:
        ERASABLE_WORDS[model._meta.db_table] = (column, by, of)
        return model

    return mark


#: Table -> the arguments of its trigger: column, where a row begins, legal moves, counter of corrections.
STATE_MACHINES: dict[str, tuple[str, str, str, str]] = {}


def state_machine(
    column: str, *, begins: Iterable[str], moves: Mapping[str, Iterable[str]], unless: str
) -> Callable[[type[models.Model]], type[models.Model]]:
    """Class decorator: a trigger refuses every change of `column` that `moves` does not have.

    The integer column `unless` goes up by one with a row that was derived anew after a correction:
    that is no move, and may put it anywhere.
    """

    def mark(model: type[models.Model]) -> type[models.Model]:
        plain = {str(before): sorted(map(str, after)) for before, after in moves.items()}
        STATE_MACHINES[model._meta.db_table] = (
            column,
            json.dumps(sorted(map(str, begins))),
            json.dumps(plain, sort_keys=True),
            unless,
        )
        return model

    return mark


#: Table -> columns that keep their value once they have one.
WRITTEN_ONCE: dict[str, tuple[str, ...]] = {}


def written_once(*columns: str) -> Callable[[type[models.Model]], type[models.Model]]:
    """Class decorator: a trigger refuses to change these columns once they are not null."""

    def mark(model: type[models.Model]) -> type[models.Model]:
        WRITTEN_ONCE[model._meta.db_table] = columns
        return model

    return mark


#: Table -> an instant that may only become earlier, and the column by which that is over too.
ONLY_EARLIER: dict[str, tuple[str, str]] = {}


def only_earlier(column: str, *, until: str) -> Callable[[type[models.Model]], type[models.Model]]:
    """Class decorator: a trigger lets this instant become earlier and never later; neither once `until` is there."""

    def mark(model: type[models.Model]) -> type[models.Model]:
        ONLY_EARLIER[model._meta.db_table] = (column, until)
        return model

    return mark


def tenant_tables(apps: Apps) -> list[str]:
    """Every table that carries a business_id."""
    return sorted(
        model._meta.db_table
        for model in apps.get_models()
        if any(f.column == "business_id" for f in model._meta.local_fields)
    )
