"""What the API and the feeds show of what is due."""

from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

DUE_CHECK = register(
    Entity(
        name="due_check",
        table="services_due_check",
        body=json_object(
            "id", "version", "location_id", "kind", "subject_id", "what", "level", "late",
            outcome="nullif(e.outcome, '')",
            **{
                c: json_instant(f"e.{c}")
                for c in ("due_at", "raised_at", "escalated_at", "cleared_at")
            },
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", kind="str", subject_id="uuid", what="str",
            level="int", late="bool", outcome="str?", due_at="datetime", raised_at="datetime",
            escalated_at="datetime?", cleared_at="datetime?",
        ),
    )
)  # fmt: skip
