"""Everything that is held of one client, how long it must be kept, and what may go. Never writes."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Max

from clients.models import Client, HealthAnswer
from clients.queries_people import ids_of
from clients.registry import HOLDINGS
from clients.rules.retention import keep_until, last_due
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import Parameter, ParameterName
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import under_present_key

#: Clients in one batch of the sweep, and in one answer.
BATCH = 500


def everything_of(client_id: UUID) -> dict[str, list[dict[str, Any]]]:
    """What each table holds of a client and those merged into it, by table, health unsealed.

    Raises `Erased`.
    """
    ids = ids_of(client_id)
    return {
        table: [row for i in ids for row in holding.export(i)]
        for table, holding in sorted(HOLDINGS.items())
        if holding.export is not None
    }


def retention_at(place: Location, today: date) -> Parameter:
    """How long a location's jurisdiction (else the house) keeps client records."""
    return parameters(place.jurisdiction, today)[ParameterName.RETENTION]


def holds(client: Client, now: datetime) -> list[dict[str, str]]:
    """Where the record must be kept still, by a jurisdiction's own rule; house policy holds nothing."""
    ids = ids_of(client.id)
    last = under_present_key(HealthAnswer.objects.filter(client_id__in=ids)).aggregate(
        last=Max("recorded_at")
    )["last"]
    found = []
    known = {i for c in Client.objects.filter(id__in=ids) for i in c.location_ids}
    for place in Location.objects.filter(id__in=known).order_by("id") if last else ():
        today = local_date(now, place.zone)
        rule = retention_at(place, today)
        until = keep_until(local_date(last, place.zone), rule.value["client_record_years"])
        if not rule.is_house and today < until:
            found.append(
                {"location_id": str(place.id), "until": str(until), "citation": rule.citation}
            )
    return found


# Of a person of several records the newest answer, and the places of all, count for each.
_DUE = """
WITH RECURSIVE same(whose, id) AS (
    SELECT c.id, c.id FROM clients_client c WHERE c.merged_into_id IS NULL
      AND c.id IN (SELECT m.merged_into_id FROM clients_client m WHERE m.merged_into_id IS NOT NULL)
    UNION ALL
    SELECT s.whose, c.id FROM same s JOIN clients_client c ON c.merged_into_id = s.id
      AND c.merged_into_id IS NOT NULL
), person AS (
    SELECT s.whose, (SELECT max(h.recorded_at) FROM same o JOIN ({dated}) h
                     ON h.client_id = o.id WHERE o.whose = s.whose) AS last,
           array_agg(DISTINCT place) AS places
    FROM same s JOIN clients_client c ON c.id = s.id, unnest(c.location_ids) AS place
    GROUP BY s.whose
)
SELECT c.id, max(h.recorded_at) FROM clients_client c
JOIN ({dated}) h ON h.client_id = c.id
JOIN tenancy_subject_key k ON k.id = c.id AND k.wrapped IS NOT NULL
LEFT JOIN same ON same.id = c.id LEFT JOIN person ON person.whose = same.whose
WHERE c.erased_at IS NULL AND c.location_ids[cardinality(c.location_ids)] = %(place)s
  AND (k.renewed_at IS NULL OR h.recorded_at > k.renewed_at)
GROUP BY c.id, person.last, person.places
HAVING greatest(max(h.recorded_at), person.last) < (SELECT min(t.before) FROM unnest(%(places)s::uuid[], %(before)s::timestamptz[])
                             AS t(place, before) WHERE t.place = ANY(c.location_ids || person.places))
ORDER BY 2, 1 LIMIT %(batch)s
"""


def due_for_expiry(location_id: UUID, now: datetime) -> list[dict[str, Any]]:
    """Up to a batch of clients last linked to this location whose answers need not be kept any more.

    The longest rule of all their locations counts, from the last answer on, or from the last of what
    is kept as long and goes with the same key. The oldest come first.
    """
    others = sorted(h.table for h in HOLDINGS.values() if h.is_kept_as_long)
    dated = " UNION ALL ".join(
        f"SELECT client_id, recorded_at FROM {table}"
        for table in ("clients_health_answer", *others)
    )
    places = list(Location.objects.order_by("id"))
    before = []
    for place in places:
        today = local_date(now, place.zone)
        years = retention_at(place, today).value["client_record_years"]
        before.append(local_day(last_due(today, years), place.zone).end)
    with connection.cursor() as cursor:
        cursor.execute(
            _DUE.format(dated=dated),
            {
                "place": location_id,
                "places": [p.id for p in places],
                "before": before,
                "batch": BATCH,
            },
        )
        rows = cursor.fetchall()
    return [
        {"client_id": client_id, "location_id": location_id, "last_recorded_at": rfc3339(last)}
        for client_id, last in rows
    ]
