"""What the API answers to a tick on a set-up list. In no feed: the list is asked for."""

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema

TICK = Entity(
    name="set-up tick",
    table="services_set_up_tick",
    version="1",
    location="(SELECT v.location_id FROM services_visit v WHERE v.id = e.visit_id)",
    body=json_object(
        "id", "visit_id", "item", "count", "laid_out", "recorded_by",
        **{c: json_instant(f"e.{c}") for c in ("happened_at", "recorded_at")},
    ),
    schema=object_schema(
        id="uuid", visit_id="uuid", item="str", count="int", laid_out="bool", recorded_by="uuid?",
        happened_at="datetime", recorded_at="datetime",
    ),
)  # fmt: skip
