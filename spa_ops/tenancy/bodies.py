"""What the API and the feeds show of places and people. Never a hash, a PIN or a badge."""

from spa_ops.web.entities import Entity, json_object, object_schema, register

LOCATION = register(
    Entity(
        name="location",
        table="tenancy_location",
        location="e.id",
        body=json_object(
            "id", "version", "name", "zone", "country", "jurisdiction", "currency", "opening_hours",
            "policies", "licence_number", "licence_valid_through",
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", zone="str", country="str", jurisdiction="str",
            currency="str", opening_hours="object", policies="object", licence_number="str",
            licence_valid_through="date?",
        ),
    )
)  # fmt: skip

BUSINESS = register(
    Entity(
        name="business",
        table="tenancy_business",
        location=None,
        body=json_object("id", "version", "name"),
        schema=object_schema(id="uuid", version="int", name="str"),
    )
)

PERSON = register(
    Entity(
        name="person",
        table="tenancy_person",
        location=None,
        body=json_object("id", "version", "name", "active"),
        schema=object_schema(id="uuid", version="int", name="str", active="bool"),
    )
)

LICENCE = register(
    Entity(
        name="licence",
        table="tenancy_licence",
        location=None,
        body=json_object(
            "id", "version", "person_id", "jurisdiction", "kind", "number", "valid_from", "valid_through"
        ),
        schema=object_schema(
            id="uuid", version="int", person_id="uuid", jurisdiction="str", kind="str", number="str",
            valid_from="date?", valid_through="date",
        ),
    )
)  # fmt: skip
