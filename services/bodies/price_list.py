"""What the API and the feeds show of the price list, skills and shifts."""

from spa_ops.web.entities import (
    Entity,
    array_of,
    json_instant,
    json_object,
    object_schema,
    register,
)

#: Pairs of wall times, HH:MM.
WALLS = array_of(array_of({"type": "string"}))

SERVICE = register(
    Entity(
        name="service",
        table="services_service",
        location=None,
        body=json_object(
            "id", "version", "name", "area", "method", "set_up_minutes", "consultation_minutes",
            "hands_on_minutes", "shortest_hands_on_minutes", "aftercare_minutes", "clean_up_minutes", "price_minor", "currency",
            "new_client_minutes", "developing_minutes", "developing_attended",
            "rebook_weeks", "room_features", "kit_kind", "needs_patch_test",
            "skin_product_ids", "active",
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", area="str", method="str", set_up_minutes="int",
            consultation_minutes="int", hands_on_minutes="int", shortest_hands_on_minutes="int", aftercare_minutes="int",
            clean_up_minutes="int", new_client_minutes="int", developing_minutes="int",
            developing_attended="bool", price_minor="int", currency="str", rebook_weeks="int?",
            room_features="[str]", kit_kind="str", needs_patch_test="bool",
            skin_product_ids="[uuid]", active="bool",
        ),
    )
)  # fmt: skip

SKIN_PRODUCT = register(
    Entity(
        name="skin_product",
        table="services_skin_product",
        location=None,
        body=json_object(
            "id", "version", "name", "supplier", "formula_version", "ingredients", "patch_test_hours",
            "active",
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", supplier="str", formula_version="str",
            ingredients={"type": ["array", "null"], "items": {"type": "string"}},
            patch_test_hours="int?", active="bool",
        ),
    )
)  # fmt: skip

SKILL = register(
    Entity(
        name="skill",
        table="services_skill",
        location=None,
        body=json_object(
            "id",
            "version",
            "person_id",
            "service_id",
            "hands_on_minutes",
            ended_at=json_instant("e.ended_at"),
        ),
        schema=object_schema(
            id="uuid",
            version="int",
            person_id="uuid",
            service_id="uuid",
            hands_on_minutes="int?",
            ended_at="datetime?",
        ),
    )
)

SHIFT = register(
    Entity(
        name="shift",
        table="services_shift",
        body=json_object(
            "id", "version", "person_id", "location_id", "duty", "weekday", "valid_from", "valid_until",
            "breaks",
            starts="to_char(e.starts, 'HH24:MI')", ends="to_char(e.ends, 'HH24:MI')",
        ),
        schema=object_schema(
            id="uuid", version="int", person_id="uuid", location_id="uuid", duty="str",
            weekday="int", valid_from="date", valid_until="date?", starts="str", ends="str",
            breaks=WALLS,
        ),
    )
)  # fmt: skip
