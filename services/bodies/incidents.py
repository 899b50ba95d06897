"""What the API and the feeds show of an incident: that there is one, and when to call back. Never what."""

from spa_ops.kernel.actor import Role
from spa_ops.web.entities import (
    Entity,
    array_of,
    json_instant,
    json_object,
    object_schema,
    register,
)

_CALL_BACK = object_schema(hours="int", due_at="datetime", overdue_at="datetime")
_FOLLOW_UPS = f"""(SELECT coalesce(jsonb_agg(jsonb_build_object(
    'hours', c.hours, 'due_at', {json_instant("c.due_at")}, 'overdue_at', {json_instant("c.overdue_at")}
) ORDER BY c.due_at), '[]') FROM services_incident_call_back c
WHERE c.business_id = e.business_id AND c.incident_id = e.id AND c.settled_at IS NULL)"""
#: The desk, and a device that nobody has unlocked, know that there is a follow-up and no more.
_NOT_FOR_THE_DESK = frozenset(
    {"state", "client_id", "visit_id", "line_id", "room_id", "recorded_at", "closed_at"}
)
_SCHEMA = object_schema(
    id="uuid", version="int", location_id="uuid", client_id="uuid?", visit_id="uuid?",
    line_id="uuid?", room_id="uuid?", state="str", since="datetime", recorded_at="datetime",
    closed_at="datetime?", follow_ups=array_of(_CALL_BACK),
)  # fmt: skip

INCIDENT = register(
    Entity(
        name="incident",
        table="services_incident",
        body=json_object(
            "id", "version", "location_id", "client_id", "visit_id", "line_id", "room_id", "state",
            since=json_instant("e.occurred_at"), recorded_at=json_instant("e.recorded_at"),
            closed_at=json_instant("e.closed_at"), follow_ups=_FOLLOW_UPS,
        ),
        schema=_SCHEMA | {"required": sorted(set(_SCHEMA["required"]) - _NOT_FOR_THE_DESK)},
        hidden={Role.FRONT_DESK: _NOT_FOR_THE_DESK, Role.DEVICE: _NOT_FOR_THE_DESK},
    )
)  # fmt: skip

#: One call-back; not in the feeds apart: the incident's body has it.
FOLLOW_UP = Entity(
    name="follow_up",
    table="services_incident_call_back",
    body=json_object(
        "id", "incident_id", "location_id", "hours", due_at=json_instant("e.due_at"),
        overdue_at=json_instant("e.overdue_at"),
    ),
    schema=object_schema(
        id="uuid", incident_id="uuid", location_id="uuid", hours="int", due_at="datetime",
        overdue_at="datetime",
    ),
)  # fmt: skip
