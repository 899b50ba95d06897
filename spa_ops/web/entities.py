"""What the API and the feeds show: each app registers its entities, with the SQL that makes bodies.

One representation serves the feed and the API's reads: made in SQL, because the serializer is
what costs (measured: a list of 50 takes five times as long through serializers).
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from spa_ops.kernel.actor import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Entity:
    """One kind of synced row. In the SQL pieces the row's alias is `e`.

    `body` is a SQL expression of type jsonb; `location` one of type uuid, or None for what every
    location of the business shares. `hidden` names, per role, the top-level fields it never sees.
    `schema` documents the body as JSON Schema and is served in the OpenAPI document.
    """

    name: str
    table: str
    body: str
    schema: dict[str, Any]
    location: str | None = "e.location_id"
    version: str = "e.version"
    hidden: dict[Role, frozenset[str]] = field(default_factory=dict)
    readers: frozenset[Role] = frozenset(Role) - {Role.INSPECTOR}

    def body_for(self, role: Role | None) -> str:
        """The body expression as `role` may see it."""
        hidden = sorted(self.hidden.get(role, frozenset())) if role else []
        return (
            f"({self.body}) - ARRAY[{', '.join(repr(h) for h in hidden)}]" if hidden else self.body
        )


ENTITIES: dict[str, Entity] = {}


def register(entity: Entity) -> Entity:
    """Add an entity; a name is registered once."""
    if entity.name in ENTITIES:
        raise ValueError(f"{entity.name} is registered already")
    ENTITIES[entity.name] = entity
    return entity


_TYPES: dict[str, dict[str, Any]] = {
    "uuid": {"type": "string", "format": "uuid"},
    "str": {"type": "string"},
    "int": {"type": "integer"},
    "bool": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "datetime": {"type": "string", "format": "date-time"},
    "object": {"type": "object"},
    "array": {"type": "array", "items": {}},
}


def object_schema(**fields: str | dict[str, Any]) -> dict[str, Any]:
    """JSON Schema of an object: each field a type word of ours ("uuid", "int?", "[str]") or a schema."""
    return {
        "type": "object",
        "required": sorted(fields),
        "properties": {name: _field_schema(kind) for name, kind in fields.items()},
    }


def _field_schema(kind: str | dict[str, Any]) -> dict[str, Any]:
    if isinstance(kind, dict):
        return kind
    if kind.startswith("["):
        return {"type": "array", "items": _field_schema(kind[1:-1])}
    base = dict(_TYPES[kind.rstrip("?")])
    if kind.endswith("?"):
        base["type"] = [base["type"], "null"]
    return base


def array_of(schema: dict[str, Any]) -> dict[str, Any]:
    """JSON Schema of a list of `schema`."""
    return {"type": "array", "items": schema}


def json_instant(column: str) -> str:
    """SQL for an instant as RFC 3339 text in UTC, whatever the session's zone is."""
    return f"to_char({column} AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US\"Z\"')"


def json_object(*columns: str, **expressions: str) -> str:
    """SQL jsonb object: plain columns of `e` by name, then named expressions."""
    parts: Iterable[tuple[str, str]] = [
        *((c, f"e.{c}") for c in columns),
        *expressions.items(),
    ]
    return "jsonb_build_object(" + ", ".join(f"'{name}', {sql}" for name, sql in parts) + ")"
