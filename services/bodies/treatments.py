"""The body of a wish, for the answer to its command: that there is one, never its words."""

from spa_ops.kernel.actor import Role
from spa_ops.web.entities import Entity, json_instant, json_object, object_schema

WISH = Entity(
    name="wish",
    table="services_wish",
    location=None,
    version="1",
    body=json_object(
        "id", "client_id", "area", "recorded_by", recorded_at=json_instant("e.recorded_at")
    ),
    schema=object_schema(
        id="uuid", client_id="uuid", area="str", recorded_by="uuid?", recorded_at="datetime"
    ),
    readers=frozenset({Role.PRACTITIONER, Role.LEAD, Role.OWNER}),
)
