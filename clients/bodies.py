"""What the API and the feeds show of clients. Never a health answer, nor whether there is one."""

from clients.models import ConsentPurpose
from clients.queries_people import CONSENTS
from clients.rules.merging import UNDO_HOURS
from spa_ops.kernel.actor import Role
from spa_ops.web.entities import Entity, json_instant, json_object, object_schema, register

#: The last instant at which the merge can be undone; hours, because days of a zone may be longer.
UNDONE_UNTIL = f"(e.merged_at + make_interval(hours => {UNDO_HOURS}))"
_STAFF = frozenset({Role.FRONT_DESK, Role.PRACTITIONER, Role.LEAD, Role.OWNER})
# The newest row of a purpose holds; a purpose that is not there was never asked.
_CONSENTS = (
    "(SELECT coalesce(jsonb_object_agg(c.purpose, c.given), '{}') FROM ("
    "SELECT DISTINCT ON (c.purpose) c.purpose, c.given FROM clients_consent c "
    "WHERE c.client_id = e.id ORDER BY c.purpose, c.recorded_at DESC) c)"
)
# Few clients are of several records, and lists are long: only for those the long way.
_CONSENTS = (
    "CASE WHEN NOT EXISTS (SELECT FROM clients_client m WHERE m.merged_into_id = e.id AND m.merged_into_id IS NOT NULL) "
    f"THEN {_CONSENTS} ELSE (SELECT coalesce(jsonb_object_agg(c.purpose, c.given), '{{}}') "
    f"FROM ({CONSENTS.format(client='e.id')}) c) END"
)

CLIENT = register(
    Entity(
        name="client",
        table="clients_client",
        # A client of one location is found at every other of the business.
        location=None,
        body=json_object(
            "id", "version", "name", "phone", "email", "birth_date", "language", "zone", "note",
            "guardian", "chosen_practitioner_id", "location_ids", created_at=json_instant("e.created_at"),
            erased_at=json_instant("e.erased_at"), consents=_CONSENTS,
            merged_into="e.merged_into_id", merge_undone_until=json_instant(UNDONE_UNTIL),
        ),
        schema=object_schema(
            id="uuid", version="int", name="str", phone="str", email="str", birth_date="date?",
            language="str", zone="str", note="str", guardian={"type": ["object", "null"]},
            chosen_practitioner_id="uuid?", location_ids="[uuid]", created_at="datetime",
            erased_at="datetime?", merged_into="uuid?", merge_undone_until="datetime?",
            consents={
                "type": "object",
                "properties": {purpose: {"type": "boolean"} for purpose in ConsentPurpose.values},
                "additionalProperties": False,
            },
        ),
        # A shared device shows clients to whoever unlocked it, in that person's role.
        readers=_STAFF,
    )
)  # fmt: skip

#: For the list of one client's consents only: the client's own body carries them in the feeds.
CONSENT = Entity(
    name="consent",
    table="clients_consent",
    location=None,
    version="1",
    body=json_object(
        "id", "purpose", "given", "text_digest", "signed_by", "witnessed_by", "device_id",
        "recorded_by", recorded_at=json_instant("e.recorded_at"),
    ),
    schema=object_schema(
        id="uuid", purpose="str", given="bool", text_digest="str", signed_by="str",
        witnessed_by="uuid?", device_id="uuid?", recorded_by="uuid?", recorded_at="datetime",
    ),
    readers=_STAFF,
)  # fmt: skip

CONSENT_TEXT = Entity(
    name="consent_text",
    table="clients_consent_text",
    location=None,
    version="1",
    body=json_object(
        "id", "purpose", "language", "version", "text", "digest", "published_by",
        published_at=json_instant("e.published_at"),
    ),
    schema=object_schema(
        id="uuid", purpose="str", language="str", version="int", text="str", digest="str",
        published_by="uuid?", published_at="datetime",
    ),
    readers=_STAFF,
)  # fmt: skip

#: For the answer to a command: that a product was tried, never what came of it.
PATCH_TEST = Entity(
    name="patch_test",
    table="clients_patch_test",
    location=None,
    version="1",
    body=json_object(
        "id", "client_id", "skin_product_id", "product_name", "supplier", "formula_version",
        "lead_hours", "area", "line_id", "recorded_by", applied_at=json_instant("e.applied_at"),
        readable_at=json_instant("(e.applied_at + make_interval(hours => e.lead_hours))"),
        recorded_at=json_instant("e.recorded_at"),
    ),
    schema=object_schema(
        id="uuid", client_id="uuid", skin_product_id="uuid", product_name="str", supplier="str",
        formula_version="str", lead_hours="int", area="str", line_id="uuid?", recorded_by="uuid?",
        applied_at="datetime", readable_at="datetime", recorded_at="datetime",
    ),
    readers=_STAFF,
)  # fmt: skip

_LEADS = frozenset({Role.LEAD, Role.OWNER})
#: Who read a client's health answers, for those who answer for it; in no feed.
HEALTH_READ = Entity(
    name="health_read",
    table="clients_health_read",
    location=None,
    version="1",
    body=json_object(
        "id", "client_id", "visit_id", "person_id", "device_id",
        person_name="(SELECT p.name FROM tenancy_person p WHERE p.id = e.person_id)",
        read_at=json_instant("e.read_at"),
    ),
    schema=object_schema(
        id="uuid", client_id="uuid", visit_id="uuid?", person_id="uuid?", device_id="uuid?",
        person_name="str?", read_at="datetime",
    ),
    readers=_LEADS,
)  # fmt: skip
