"""What the API shows of the waiting list and its offers. In no feed: a desk that is offline calls nobody."""

from spa_ops.web.entities import Entity, array_of, json_instant, json_object, object_schema

_CLIENT = "FROM clients_client c WHERE c.business_id = e.business_id AND c.id = e.client_id"
_ASKED = {"service_id": "uuid", "practitioner_id": "uuid?", "room_id": "uuid?"}
WAITING = Entity(
    name="waiting",
    table="services_waiting_entry",
    version="1",
    body=json_object(
        "id", "location_id", "client_id", "lines", "from_on", "until_on", "weekdays", "times", "note",
        "created_by", "state", "visit_id",
        client_name=f"(SELECT c.name {_CLIENT})",
        **{c: json_instant(f"e.{c}") for c in ("created_at", "settled_at")},
    ),
    schema=object_schema(
        id="uuid", location_id="uuid", client_id="uuid", client_name="str", from_on="date",
        until_on="date", weekdays="[str]", times="[array]", note="str", created_by="uuid?", state="str",
        visit_id="uuid?", created_at="datetime", settled_at="datetime?",
        lines=array_of(object_schema(**_ASKED)),
    ),
)  # fmt: skip

# A minor's calls go to the guardian alone, as messages do.
_CALLED = (
    "(SELECT jsonb_build_object('client_id', c.id, 'name', c.name, 'language', c.language, "
    "'guardian', CASE WHEN m.minor THEN coalesce(c.guardian->>'name', '') ELSE '' END, "
    "'phone', CASE WHEN m.minor THEN coalesce(c.guardian->>'phone', '') ELSE c.phone END) "
    "FROM services_waiting_entry w "
    "JOIN clients_client c ON c.business_id = w.business_id AND c.id = w.client_id, "
    "LATERAL (SELECT c.birth_date IS NOT NULL AND c.birth_date > "
    "(e.offered_at AT TIME ZONE l.zone)::date - interval '18 years' AS minor "
    "FROM tenancy_location l WHERE l.business_id = e.business_id AND l.id = e.location_id) m "
    "WHERE w.business_id = e.business_id AND w.id = e.entry_id)"
)
_NAMED = (
    "(SELECT jsonb_agg(x.line || jsonb_build_object("
    "'service', (SELECT s.name FROM services_service s WHERE s.id = (x.line->>'service_id')::uuid), "
    "'practitioner', (SELECT p.name FROM tenancy_person p WHERE p.id = (x.line->>'practitioner_id')::uuid), "
    "'room', (SELECT r.name FROM rooms_room r WHERE r.id = (x.line->>'room_id')::uuid)) ORDER BY x.n) "
    "FROM jsonb_array_elements(e.lines) WITH ORDINALITY AS x(line, n))"
)
WAITING_OFFER = Entity(
    name="waiting_offer",
    table="services_waiting_offer",
    version="1",
    body=json_object(
        "id", "entry_id", "location_id", "state", "message_state", "message_outcome",
        call=_CALLED,
        lines=_NAMED,
        note="(SELECT w.note FROM services_waiting_entry w WHERE w.id = e.entry_id)",
        local_start="(SELECT to_char(e.starts_at AT TIME ZONE l.zone, 'YYYY-MM-DD HH24:MI') "
        "FROM tenancy_location l WHERE l.id = e.location_id)",
        **{
            c: json_instant(f"e.{c}")
            for c in ("starts_at", "ends_at", "offered_at", "expires_at", "settled_at")
        },
    ),
    schema=object_schema(
        id="uuid", entry_id="uuid", location_id="uuid", state="str", message_state="str",
        message_outcome="str", note="str", local_start="str", starts_at="datetime", ends_at="datetime",
        offered_at="datetime", expires_at="datetime", settled_at="datetime?",
        call=object_schema(client_id="uuid", name="str", language="str", guardian="str", phone="str"),
        lines=array_of(
            object_schema(
                service_id="uuid", practitioner_id="uuid", room_id="uuid", kit_id="uuid?",
                starts_at="datetime", service="str", practitioner="str", room="str",
            )
        ),
    ),
)  # fmt: skip
