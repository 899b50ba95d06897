"""What the API shows of visits that recur. In no feed: devices have the visits themselves."""

from spa_ops.web.entities import Entity, array_of, json_instant, json_object, object_schema

_VISITS = (
    "(SELECT coalesce(jsonb_agg(jsonb_build_object('visit_id', v.id, 'state', v.state, "
    f"'occurs_at', {json_instant('s.occurs_at')}, 'starts_at', {json_instant('v.starts_at')}) "
    "ORDER BY s.occurs_at), '[]') FROM services_series_visit s "
    "JOIN services_visit v ON v.business_id = s.business_id AND v.id = s.visit_id "
    "WHERE s.series_id = e.id)"
)
SERIES = Entity(
    name="series",
    table="services_series",
    version="1",
    body=json_object(
        "id", "location_id", "client_id", "rule", "zone", "created_by",
        **{c: json_instant(f"e.{c}") for c in ("starts_at", "created_at", "ended_from")},
        visits=_VISITS,
    ),
    schema=object_schema(
        id="uuid", location_id="uuid", client_id="uuid", rule="str", zone="str", created_by="uuid?",
        starts_at="datetime", created_at="datetime", ended_from="datetime?",
        visits=array_of(
            object_schema(visit_id="uuid", state="str", occurs_at="datetime", starts_at="datetime")
        ),
    ),
)  # fmt: skip
