"""Requests for any endpoint: path ids and bodies of the right shape, out of the world's own rows.

Ids come from whichever business is asked for, so that the same request can be made with things of
one's own and with things of somebody else's.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any
from uuid import UUID, uuid4

from django.db import connection
from rest_framework import serializers as s

from spa_ops.unit.work import reading
from spa_ops.web.entities import ENTITIES
from spa_ops.web.views import RowView
from tests.web.access_matrix import Endpoint, addresses
from tests.world import BUSINESS, LAKE

#: First part of an address -> table, where no address of the form `parts/<uuid:id>` tells it.
TABLES = {
    "evidence": "tenancy_location",
    "memberships": "tenancy_membership",
    "sync": "tenancy_location",
    "tokens": "tenancy_token",
}
#: Field name without `_id` -> table, where no entity of that name tells it.
FIELDS = {
    "membership": "tenancy_membership",
    "practitioner": "tenancy_person",
    "to_location": "tenancy_location",
}
#: Words in an address -> one that is there.
WORDS = {"figure": "turnovers_on_time"}
#: One example for each pattern that a field may demand.
PATTERNS = {
    r"^[A-Z]{2}$": "US",
    r"^[A-Z]{3}$": "USD",
    r"^[a-z]{2}(-[a-z0-9]{1,8})?$": "us-tx",
}


#: Table -> which of its rows a request is best made with; elsewhere one at the callers' location.
PREFERRED = {
    "tenancy_location": "id = %(place)s",
    "tenancy_membership": "person_id = %(person)s",
    "tenancy_token": "membership_id = (SELECT m.id FROM tenancy_membership m WHERE m.person_id = %(person)s)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ids:
    """Where a request's ids come from: a table's row of `business`, or a row that is nowhere."""

    business: UUID
    person: UUID | None = None

    def of(self, table: str | None) -> UUID:
        found = _row(table, self) if table else None
        return found or uuid4()


def _row(table: str, ids: Ids) -> UUID | None:
    with reading(ids.business), connection.cursor() as cursor:
        cursor.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s", [table]
        )
        located = ("location_id",) in cursor.fetchall()
        best = PREFERRED.get(table, "location_id = %(place)s" if located else "id IS NOT NULL")
        cursor.execute(
            f"SELECT id FROM {table} WHERE business_id = %(business)s "
            f"ORDER BY ({best}) DESC NULLS LAST, id LIMIT 1",
            {"business": ids.business, "place": LAKE, "person": ids.person},
        )
        found = cursor.fetchone()
    return found[0] if found else None


@cache
def _addressed() -> dict[str, str]:
    """First part of an address -> table of the row that `parts/<uuid:id>` reads."""
    found = dict(TABLES)
    for route, view in addresses():
        prefix, _, rest = route.partition("/")
        inner = getattr(view, "methods", {"get": view}).get("get")
        if rest == "<uuid:id>" and inner and issubclass(inner, RowView):
            found[prefix] = inner.entity.table
    return found


def path_of(endpoint: Endpoint, ids: Ids) -> str:
    """The endpoint's address with ids filled in."""
    parts = endpoint.route.split("/")
    for at, part in enumerate(parts):
        if not part.startswith("<"):
            continue
        kind, _, name = part.strip("<>").partition(":")
        if kind == "uuid":
            named = _addressed().get(parts[at - 1])
            parts[at] = str(ids.of(named if name == "id" else table_of_field(name) or named))
        else:
            parts[at] = WORDS[name]
    return "/".join(parts)


def has_path_ids(endpoint: Endpoint) -> bool:
    return "<" in endpoint.route


def table_of_field(name: str) -> str | None:
    """The table that a field such as `client_id` points into, if it is known."""
    plain = name.removesuffix("_ids").removesuffix("_id")
    entity = ENTITIES.get(plain)
    return entity.table if entity else FIELDS.get(plain)


def body_of(endpoint: Endpoint, ids: Ids) -> dict[str, Any]:
    """A body that has every required field and every reference to something else."""
    shape = getattr(endpoint.view, "input", None)
    return _object(shape(), ids) if shape else {}


def body_names(endpoint: Endpoint) -> set[str]:
    """The tables that a body of this endpoint points into."""
    seen: set[str] = set()

    class Seen(Ids):
        def of(self, table: str | None) -> UUID:
            seen.update({table} if table else ())
            return uuid4()

    body_of(endpoint, Seen(business=BUSINESS))
    return seen


def _object(shape: s.Serializer, ids: Ids) -> dict[str, Any]:
    return {
        name: _value(name, field, ids)
        for name, field in shape.fields.items()
        if not field.read_only and (field.required or _refers(name, field))
    }


def _refers(name: str, field: s.Field) -> bool:
    return isinstance(field, s.UUIDField) and table_of_field(name) is not None


def _value(name: str, field: s.Field, ids: Ids) -> Any:
    if isinstance(field, s.ListSerializer | s.ListField):
        return [_value(name, field.child, ids)]
    if isinstance(field, s.Serializer):
        return _object(field, ids)
    if isinstance(field, s.UUIDField):
        return str(ids.of(table_of_field(name)))
    if isinstance(field, s.ChoiceField):
        return next(iter(field.choices))
    if isinstance(field, s.RegexField):
        pattern = next(v.regex.pattern for v in field.validators if hasattr(v, "regex"))
        return PATTERNS.get(pattern, "x")
    return next((sample for kind, sample in SAMPLES if isinstance(field, kind)), "x")


SAMPLES: list[tuple[type[s.Field], Any]] = [
    (s.BooleanField, True),
    (s.IntegerField, 1),
    (s.DecimalField, "1"),
    (s.DateTimeField, "2026-05-07T15:00:00Z"),
    (s.DateField, "2026-05-07"),
    (s.TimeField, "10:00"),
    (s.JSONField, {}),
    (s.DictField, {}),
    (s.EmailField, "nell@example.org"),
]
