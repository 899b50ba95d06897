"""Requests for any endpoint: path ids and bodies of the right shape, out of the world's own rows.

Ids come from whichever business is asked for, so that the same request can be made with things of
one's own and with things of somebody else's.
"""

from dataclasses import dataclass, field
from functools import cache
from typing import Any
from uuid import UUID, uuid4

from django.db import connection
from rest_framework import serializers as s

from clients.consent_text_file import shipped_texts
from spa_ops.unit.work import reading
from spa_ops.web.entities import ENTITIES
from spa_ops.web.views import RowView
from tests.services.day import GLOVED, RECORD, WASHED
from tests.services.pictures import photograph
from tests.web.access_matrix import Endpoint, addresses
from tests.world import BUSINESS, LAKE

#: First part of an address -> table, where no address of the form `parts/<uuid:id>` tells it.
TABLES = {
    "calendars": "services_calendar_feed",
    "booking-conditions": "services_booking_condition",
    "equipment-entries": "rooms_equipment_entry",
    "evidence": "tenancy_location",
    "absences": "services_absence",
    "holds": "services_hold",
    "shift-days": "services_one_day",
    "implement-events": "disinfection_event",
    "incidents": "services_incident",
    "lines": "services_line",
    "memberships": "tenancy_membership",
    "missing-pieces": "disinfection_missing",
    "patch-tests": "clients_patch_test",
    "payments": "services_payment",
    "photographs": "services_photograph",
    "rearrangements": "services_rearrangement",
    "rebookings": "services_rebooking",
    "sales": "services_sale",
    "skills": "services_skill",
    "sync": "tenancy_location",
    "tokens": "tenancy_token",
    "waiting": "services_waiting_entry",
    "waiting-offers": "services_waiting_offer",
    "turnover-steps": "rooms_step_report",
}
#: Field name without `_id` -> table, where no entity of that name tells it.
FIELDS = {
    "membership": "tenancy_membership",
    "agent": "disinfection_solution",
    "container": "rooms_open_container",
    "hold": "services_hold",
    "implement": "disinfection_implement",
    "into": "clients_client",
    "item": "rooms_stock_item",
    "line": "services_line",
    "lot": "rooms_stock_lot",
    "practitioner": "tenancy_person",
    "product": "disinfection_product",
}
#: Words in an address -> one that is there.
WORDS = {"figure": "turnovers_on_time"}
#: One example for each pattern that a field may demand.
PATTERNS = {
    r"^[A-Z]{2}$": "US",
    r"^[A-Z]{3}$": "USD",
    r"^[a-z]{2}(-[a-z0-9]{1,8})?$": "us-tx",
    r"^([01][0-9]|2[0-3]):[0-5][0-9]$": "10:00",
    r"^[0-9]{4}-(0[1-9]|1[0-2])$": "2026-05",
    r"^[0-9a-f]{64}$": shipped_texts()[0].digest,
    r"^[a-z]{2,3}(-[A-Z]{2})?$": "en",
}


#: Endpoint -> what its body needs besides fields of the right shape.
MEANT: dict[str, dict[str, Any]] = {
    "POST incidents/<uuid:id>/entries": {"text": "the knee hurts"},
    "POST clients/<uuid:id>/booking-conditions": {"kind": "refused_practitioner"},
    "POST clients/<uuid:id>/wishes": {"area": "brow"},
    "POST lines/<uuid:id>/finish": {"record": RECORD, **WASHED},
    "POST lines/<uuid:id>/start": GLOVED,
    "POST locations": {"zone": "America/Chicago"},
    "POST locations/<uuid:id>/absences": {
        "room_id": None,
        "kit_id": None,
        "starts_at": "2026-05-16T15:00:00Z",
        "ends_at": "2026-05-16T16:00:00Z",
    },
    "POST locations/<uuid:id>/shift-days": {"on": "2026-05-17", "spans": []},
    "POST locations/<uuid:id>/availability": {"from": "2026-05-06T23:00:00Z", "to": None},
    "POST locations/<uuid:id>/calendars": {"room_id": None},
    "POST locations/<uuid:id>/incidents": {"person_id": None, "visit_id": None, "line_id": None},
    "POST locations/<uuid:id>/recurring-visits": {"rule": "FREQ=WEEKLY;COUNT=2"},
    "POST locations/<uuid:id>/recurring-visits/preview": {"rule": "FREQ=WEEKLY;COUNT=2"},
    "POST locations/<uuid:id>/waiting": {
        "from_on": "2026-05-06",
        "until_on": "2026-06-06",
        "weekdays": [],
        "times": [],
    },
    "POST locations/<uuid:id>/shifts": {"ends": "18:00", "weekday": 6},
    "POST locations/<uuid:id>/equipment": {"kind": "eye_wash"},
    "POST locations/<uuid:id>/opening-list/ticks": {"item": "hand_wash"},
    "POST locations/<uuid:id>/closing-list/ticks": {"item": "used_linen"},
    "POST equipment/<uuid:id>/log": {"kind": "emptied"},
    "POST locations/<uuid:id>/zone": {"zone": "America/Denver"},
    "POST locations/<uuid:id>/zone/preview": {"zone": "America/Denver"},
    "POST services": {"area": "brow", "method": "hard_wax"},
    "POST stock-items": {"code": "skin_products"},
    "POST visits/<uuid:id>/set-up-list/ticks": {"item": "mirror"},
    "POST sign-in": {"login": "petra", "password": "invented-petra-password"},
}
#: The same for the lines of a visit: 18:00 in Chicago, when everybody is free.
MEANT_LINE = {"starts_at": "2026-05-06T23:00:00Z"}
#: Endpoint -> the query without which it refuses.
QUERIES = {
    "GET aftercare": {"method": "hard_wax", "area": "brow"},
    "GET disinfectants/<uuid:id>/amounts": {"amount": "1", "unit": "L"},
}
#: Table -> which of its rows a request is best made with; elsewhere one at the callers' location.
PREFERRED = {
    "clients_client": "%(place)s = ANY(location_ids)",
    "services_calendar_feed": "person_id = %(person)s",
    "rooms_equipment": "name = 'pot of room 2'",
    "rooms_room": "name = 'room 2'",
    "services_service": "name = 'Brow Wax'",
    "tenancy_location": "id = %(place)s",
    "tenancy_membership": "person_id = %(person)s",
    "tenancy_person": "id = %(person)s",
    "tenancy_token": "membership_id = (SELECT m.id FROM tenancy_membership m WHERE m.person_id = %(person)s)",
}
#: Table -> where its row `t` is, other than in a column `location_id`.
PLACES = {
    "tenancy_location": "t.id",
    "services_line": "(SELECT v.location_id FROM services_visit v WHERE v.id = t.visit_id)",
    "rooms_equipment_entry": "(SELECT q.location_id FROM rooms_equipment q WHERE q.id = t.equipment_id)",
    "services_sale": "(SELECT v.location_id FROM services_visit v WHERE v.id = t.visit_id)",
    "rooms_step_report": "(SELECT r.location_id FROM rooms_turnover u JOIN rooms_room r ON r.id = u.room_id"
    " WHERE u.id = t.turnover_id)",
}
MOST_ROWS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ids:
    """Where a request's ids come from: a table's rows of `business`, or a row that is nowhere.

    `only_at` leaves only rows of that location, and none of tables that belong to no location.
    """

    business: UUID
    person: UUID | None = None
    only_at: UUID | None = None
    _found: dict[str, list[UUID]] = field(default_factory=dict)

    def all_of(self, table: str | None) -> list[UUID]:
        """Up to MOST_ROWS ids, the preferred first; never none."""
        if table is None:
            return [uuid4()]
        if table not in self._found:
            self._found[table] = _rows(table, self) or [uuid4()]
        return self._found[table]

    def of(self, table: str | None, at: int = 0) -> UUID:
        found = self.all_of(table)
        return found[at % len(found)]


def _rows(table: str, ids: Ids) -> list[UUID]:
    with reading(ids.business), connection.cursor() as cursor:
        cursor.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s", [table]
        )
        column = "t.location_id" if ("location_id",) in cursor.fetchall() else None
        place = PLACES.get(table, column)
        if ids.only_at and place is None:
            return []
        best = PREFERRED.get(table, f"{place} = %(place)s" if place else "id IS NOT NULL")
        cursor.execute(
            f"SELECT id FROM {table} t WHERE business_id = %(business)s "
            f"AND {f'{place} = %(only_at)s' if ids.only_at else 'true'} "
            f"ORDER BY ({best}) DESC NULLS LAST, id LIMIT {MOST_ROWS}",
            {"business": ids.business, "place": LAKE, "person": ids.person, "only_at": ids.only_at},
        )
        return [row_id for (row_id,) in cursor.fetchall()]


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


def path_of(endpoint: Endpoint, ids: Ids, at: int = 0) -> str:
    """The endpoint's address with ids filled in; `at` picks another row of what it names."""
    parts = endpoint.route.split("/")
    for place, part in enumerate(parts):
        if part.startswith("<"):
            kind, _, name = part.strip("<>").partition(":")
            parts[place] = str(ids.of(_table(parts, place), at)) if kind == "uuid" else WORDS[name]
    return "/".join(parts)


def rows_to_try(endpoint: Endpoint, ids: Ids) -> int:
    """How many different rows there are to put into the endpoint's address."""
    table = _named(endpoint)
    return len(ids.all_of(table)) if table else 1


def is_there(endpoint: Endpoint, ids: Ids) -> bool:
    """Whether there is such a row as the endpoint's address names."""
    table = _named(endpoint)
    return table is not None and bool(_rows(table, ids))


def version_of(endpoint: Endpoint, ids: Ids, at: int = 0) -> int:
    """The present version of the row in the endpoint's address."""
    table = _named(endpoint)
    with reading(ids.business), connection.cursor() as cursor:
        cursor.execute(f"SELECT version FROM {table} WHERE id = %s", [ids.of(table, at)])
        return cursor.fetchone()[0]


def _named(endpoint: Endpoint) -> str | None:
    parts = endpoint.route.split("/")
    tables = [_table(parts, place) for place, part in enumerate(parts) if part == "<uuid:id>"]
    return tables[-1] if tables else None


def _table(parts: list[str], place: int) -> str | None:
    name = parts[place].strip("<>").partition(":")[2]
    return (None if name == "id" else table_of_field(name)) or _addressed().get(parts[place - 1])


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
    body = _object(shape(), ids) if shape else {}
    for line in (body, body.get("line", {}), *body.get("lines", [])):
        if {"service_id", "practitioner_id", "kit_id"} <= line.keys():
            line |= MEANT_LINE
    return body | MEANT.get(endpoint.name, {})


def body_names(endpoint: Endpoint) -> set[str]:
    """The tables that a body of this endpoint points into."""
    seen: set[str] = set()

    class Seen(Ids):
        def of(self, table: str | None, at: int = 0) -> UUID:
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
    if isinstance(field, s.FileField):
        return photograph()
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
