"""What the API and the feeds show of a rebooking date. No address: who it is for is in the client's body."""

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

REBOOKING = register(
    Entity(
        name="rebooking",
        table="services_rebooking",
        body=json_object(
            "id", "version", "location_id", "client_id", "line_id", "service_id", "rebook_on", "state",
            "outcome", remind_at=json_instant("e.remind_at"), settled_at=json_instant("e.settled_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", client_id="uuid", line_id="uuid",
            service_id="uuid", rebook_on="date", state="str", outcome="str", remind_at="datetime",
            settled_at="datetime?",
        ),
    )
)  # fmt: skip
