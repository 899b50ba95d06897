"""What the API and the feeds show of products, baths and kits."""

from spa_ops.web.entities import (
    Entity,
    array_of,
    json_instant,
    json_object,
    object_schema,
    register,
)

PRODUCT = register(
    Entity(
        name="disinfectant",
        table="disinfection_product",
        location=None,
        body=json_object(
            "id", "version", "name", "active", "registration_number", "contact_seconds", "hospital_type",
            "use_limits", "cautions",
            parts_concentrate="trim_scale(e.parts_concentrate)::text",
            parts_water="trim_scale(e.parts_water)::text",
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", active="str", registration_number="str",
            contact_seconds="int?", hospital_type="bool", use_limits="array", cautions="str",
            parts_concentrate="str", parts_water="str",
        ),
    )
)  # fmt: skip

SOLUTION = register(
    Entity(
        name="solution",
        table="disinfection_solution",
        body=json_object(
            "id", "version", "location_id", "product_id", "container", "mixed_by", "entered", "pour",
            "contact_seconds", "limits", "uses_allowed", "uses", "end_reason",
            concentrate_ml="e.concentrate_ml::text", water_ml="e.water_ml::text",
            state="CASE WHEN e.ended_at IS NULL THEN 'usable' ELSE 'ended' END",
            **{c: json_instant(f"e.{c}") for c in ("mixed_at", "discard_at", "voided_at", "ended_at")},
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", product_id="uuid", container="str",
            mixed_by="uuid?", entered="object", pour="str", contact_seconds="int?", limits="array",
            uses_allowed="int?", uses="int", end_reason="str", concentrate_ml="str", water_ml="str",
            state="str", mixed_at="datetime", discard_at="datetime", voided_at="datetime?",
            ended_at="datetime?",
        ),
    )
)  # fmt: skip

_IMPLEMENT = (
    "jsonb_build_object('id', i.id, 'tag', i.tag, 'name', i.name, 'class', i.kind, 'state', i.state, "
    "'flaw', nullif(i.flaw, ''), 'blood', i.blood, 'bath_id', i.bath_id, "
    f"'since', {json_instant('i.since')}, 'due_at', {json_instant('i.due_at')})"
)

KIT = register(
    Entity(
        name="kit",
        table="disinfection_kit",
        body=json_object(
            "id", "version", "location_id", "name", "kind",
            ready="coalesce((SELECT bool_and(i.state = 'ready' AND i.flaw = '') FROM disinfection_implement i "
            "WHERE i.kit_id = e.id), false)",
            implements=f"(SELECT coalesce(jsonb_agg({_IMPLEMENT} ORDER BY i.tag), '[]') "
            "FROM disinfection_implement i WHERE i.kit_id = e.id)",
        ),
        schema=object_schema(
            id="uuid", version="int", location_id="uuid", name="str", kind="str", ready="bool",
            implements=array_of(
                object_schema(
                    **{"class": "str"}, id="uuid", tag="str", name="str", state="str", flaw="str?",
                    blood="bool", bath_id="uuid?", since="datetime?", due_at="datetime?",
                )
            ),
        ),
    )
)  # fmt: skip
