"""What the API and the feeds show of rooms and flags."""

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

ROOM = register(
    Entity(
        name="room",
        table="rooms_room",
        body=json_object(
            "id", "version", "location_id", "name", "features", "state", "visit_id", "out_of_use_reason",
            "buffer_before_minutes", "buffer_after_minutes",
            state_since=json_instant("e.state_since"), ready_until=json_instant("e.ready_until"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", features="[str]", state="str",
            visit_id="uuid?", out_of_use_reason="str", state_since="datetime", ready_until="datetime?",
            buffer_before_minutes="int?", buffer_after_minutes="int?",
        ),
    )
)  # fmt: skip

FLAG = register(
    Entity(
        name="room_flag",
        table="rooms_flag",
        body=json_object(
            "id", "version", "location_id", "room_id", "kind",
            about=json_instant("e.about"), due_at=json_instant("e.due_at"),
            raised_at=json_instant("e.raised_at"), cleared_at=json_instant("e.cleared_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", room_id="uuid", kind="str", about="datetime",
            due_at="datetime", raised_at="datetime", cleared_at="datetime?",
        ),
    )
)  # fmt: skip
