"""Who, where and with which kit a visit could be: what does not change with the time. Reads only."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from services.queries.kits_away import CONTACT_SECONDS

# Rooms out of use are left out: nobody knows when they will be back.
_CANDIDATES = """
SELECT jsonb_build_object(
    'rooms', (SELECT jsonb_agg(r.id) FROM rooms_room r
              WHERE r.location_id = %(place)s AND r.state <> 'out_of_use'),
    'kits', (SELECT jsonb_agg(k.id) FROM disinfection_kit k WHERE k.location_id = %(place)s
             AND k.kind IN (SELECT s.kit_kind FROM services_service s WHERE s.id = ANY(%(services)s))),
    'people', (SELECT jsonb_agg(DISTINCT k.person_id) FROM services_skill k
               WHERE k.service_id = ANY(%(services)s) AND EXISTS (
                   SELECT FROM services_shift h WHERE h.person_id = k.person_id
                   AND h.location_id = %(place)s AND h.duty = 'practitioner')),
    'known', (SELECT jsonb_agg(n.id) FROM (
                  SELECT p.id FROM tenancy_person p WHERE p.id = ANY(%(named)s)
                  UNION ALL SELECT r.id FROM rooms_room r
                  WHERE r.id = ANY(%(named)s) AND r.location_id = %(place)s) n),
    'contact', (SELECT {contact} FROM tenancy_location l WHERE l.id = %(place)s),
    'lengths', (SELECT jsonb_agg(jsonb_build_array(s.without_clean_up, s.clean_up_minutes)) FROM (
                    SELECT min(set_up_minutes + consultation_minutes + hands_on_minutes
                               + developing_minutes + aftercare_minutes) AS without_clean_up,
                           clean_up_minutes
                    FROM services_service WHERE active GROUP BY clean_up_minutes) s),
    'usual', (SELECT jsonb_agg(u.practitioner_id) FROM (
                  SELECT l.practitioner_id FROM services_line l
                  JOIN services_visit v ON v.business_id = l.business_id AND v.id = l.visit_id
                  WHERE v.client_id = %(client)s AND l.state = 'finished'
                  GROUP BY 1 ORDER BY count(*) DESC, max(l.starts_at) DESC LIMIT 1) u)
)
"""


def candidates_for(
    location_id: UUID,
    client_id: UUID,
    service_ids: Sequence[UUID],
    now: datetime,
    named: Collection[UUID] = (),
) -> dict[str, Any]:
    """Who, where and with which kit it could be, and what else does not change with the time."""
    with connection.cursor() as cursor:
        cursor.execute(
            _CANDIDATES.format(contact=CONTACT_SECONDS),
            {
                "place": location_id,
                "client": client_id,
                "services": list(service_ids),
                "named": list(named),
                "now": now,
            },
        )
        (row,) = cursor.fetchone()
    found = {key: value or [] for key, value in orjson.loads(row).items()}
    for key in ("rooms", "kits", "people", "known", "usual"):
        found[key] = [UUID(i) for i in found[key]]
    return found
