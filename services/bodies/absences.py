"""What the API and the feeds show of days worked otherwise and of absences."""

from services.bodies.price_list import WALLS
from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

SHIFT_DAY = register(
    Entity(
        name="shift_day",
        table="services_one_day",
        body=json_object(
            "id", "version", "person_id", "location_id", "duty", "spans",
            on="e.\"on\"", withdrawn_at=json_instant("e.withdrawn_at"),
        ),
        schema=object_schema(
            id="uuid", version="int", person_id="uuid", location_id="uuid", duty="str",
            on="date", spans=WALLS, withdrawn_at="datetime?",
        ),
    )
)  # fmt: skip

ABSENCE = register(
    Entity(
        name="absence",
        table="services_absence",
        body=json_object(
            "id", "version", "location_id", "person_id", "room_id", "kit_id", "kind",
            **{c: json_instant(f"e.{c}") for c in ("starts_at", "ends_at", "ended_at")},
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", person_id="uuid?", room_id="uuid?",
            kit_id="uuid?", kind="str", starts_at="datetime", ends_at="datetime",
            ended_at="datetime?",
        ),
    )
)  # fmt: skip
