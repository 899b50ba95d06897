"""What the API shows of a hold. Holds are in no feed: they are over before most devices would hear of them."""

from spa_ops.web.entities import Entity, array_of, json_instant, json_object, object_schema

HOLD = Entity(
    name="hold",
    table="services_hold",
    version="1",
    body=json_object(
        "id", "location_id", "person_id", "device_id", "state", "lines",
        held_by="coalesce((SELECT d.name FROM tenancy_device d WHERE d.id = e.device_id), "
        "(SELECT p.name FROM tenancy_person p WHERE p.id = e.person_id), '')",
        **{c: json_instant(f"e.{c}") for c in ("starts_at", "ends_at", "held_at", "expires_at")},
    ),
    schema=object_schema(
        id="uuid", location_id="uuid", person_id="uuid?", device_id="uuid?", state="str",
        held_by="str", starts_at="datetime", ends_at="datetime", held_at="datetime",
        expires_at="datetime",
        lines=array_of(
            object_schema(service_id="uuid", practitioner_id="uuid", room_id="uuid", kit_id="uuid?", shortened="bool")
        ),
    ),
)  # fmt: skip
