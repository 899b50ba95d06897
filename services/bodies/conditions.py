"""What the API shows of a booking condition: never why it was set. In no feed: plans are made online."""

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema

CONDITION = Entity(
    name="booking condition",
    table="services_booking_condition",
    version="1",
    location=None,
    body=json_object(
        "id", "client_id", "kind", "extra_minutes", "language", "practitioner_id", "required",
        "set_by",
        **{c: json_instant(f"e.{c}") for c in ("recorded_at", "lifted_at")},
    ),
    schema=object_schema(
        id="uuid", client_id="uuid", kind="str", extra_minutes="int", language="str",
        practitioner_id="uuid?", required="bool", set_by="uuid?", recorded_at="datetime",
        lifted_at="datetime?",
    ),
)  # fmt: skip
