"""What the API and the feeds show of a visit. Outcome and date of screening, never a reason."""

from spa_ops.web.entities import (
    Entity,
    array_of,
    json_instant,
    json_object,
    object_schema,
    register,
)

_LINE = (
    "jsonb_build_object("
    + ", ".join(
        f"'{name}', {sql}"
        for name, sql in {
            **{c: f"l.{c}" for c in (
                "id", "position", "service_id", "area", "method", "practitioner_id", "room_id", "kit_id",
                "set_up_by", "turnover_by", "shortened", "state", "price_minor", "currency", "verdict", "screened_on",
                "earliest_on",
            )},
            "overridden": "l.overridden_by IS NOT NULL",
            "bleeding": "l.bleeding_since IS NOT NULL",
            **{c: json_instant(f"l.{c}") for c in (
                "set_up_at", "starts_at", "hands_on_at", "aftercare_at", "ends_at", "turnover_ends_at",
                "started_at", "finished_at", "earliest_at", "unattended_at",
            )},
        }.items()
    )
    + ")"
)  # fmt: skip

LINE_SCHEMA = object_schema(
    id="uuid", position="int", service_id="uuid", area="str", method="str", practitioner_id="uuid",
    room_id="uuid", kit_id="uuid?", set_up_by="uuid", turnover_by="uuid", shortened="bool", state="str", price_minor="int",
    currency="str", verdict="str", screened_on="date?", earliest_on="date?",
    earliest_at="datetime?", overridden="bool", bleeding="bool", set_up_at="datetime", starts_at="datetime", hands_on_at="datetime",
    aftercare_at="datetime", ends_at="datetime", turnover_ends_at="datetime", started_at="datetime?",
    finished_at="datetime?", unattended_at="datetime?",
)  # fmt: skip

VISIT = register(
    Entity(
        name="visit",
        table="services_visit",
        body=json_object(
            "id", "version", "location_id", "client_id", "state", "walk_in", "room_id", "booked_by",
            "policy_shown", "note", "chaperone_accepted", "chaperone_id", "link_id",
            **{c: json_instant(f"e.{c}") for c in (
                "starts_at", "booked_at", "arrived_at", "seated_at", "left_at", "checked_out_at",
                "guardian_present_at",
            )},
            series_id="(SELECT s.series_id FROM services_series_visit s WHERE s.visit_id = e.id)",
            lines=f"(SELECT coalesce(jsonb_agg({_LINE} ORDER BY l.starts_at, l.position), '[]') "
            "FROM services_line l WHERE l.visit_id = e.id)",
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", client_id="uuid", state="str", walk_in="bool",
            room_id="uuid?", booked_by="uuid?", policy_shown="str", note="str", starts_at="datetime",
            booked_at="datetime", arrived_at="datetime?", seated_at="datetime?", left_at="datetime?",
            checked_out_at="datetime?", guardian_present_at="datetime?", chaperone_id="uuid?", link_id="uuid?",
            series_id="uuid?",
            chaperone_accepted={"type": ["boolean", "null"]}, lines=array_of(LINE_SCHEMA),
        ),
    )
)  # fmt: skip
