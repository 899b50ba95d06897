"""What the API and the feeds show of hand-overs."""

from spa_ops.kernel.actor import Role
from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

_SCHEMA = object_schema(
    id="uuid", version="int", location_id="uuid", given_by="uuid", given_at="datetime",
    accepted_by="uuid?", accepted_at="datetime?", shown="object", incident_ids="[uuid]",
)  # fmt: skip
#: How many are open is in `shown`; which they are is for those who may read them.
_NOT_FOR_THE_DESK = frozenset({"incident_ids"})

HAND_OVER = register(
    Entity(
        name="hand_over",
        table="services_hand_over",
        body=json_object(
            "id", "version", "location_id", "shown", "incident_ids",
            given_by="e.given_by_id", accepted_by="e.accepted_by_id",
            given_at=json_instant("e.given_at"), accepted_at=json_instant("e.accepted_at"),
        ),
        schema=_SCHEMA | {"required": sorted(set(_SCHEMA["required"]) - _NOT_FOR_THE_DESK)},
        hidden={Role.FRONT_DESK: _NOT_FOR_THE_DESK, Role.DEVICE: _NOT_FOR_THE_DESK},
    )
)  # fmt: skip
