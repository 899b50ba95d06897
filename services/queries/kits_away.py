"""How long kits are away after a visit. Reads only."""

from collections.abc import Collection
from datetime import datetime, timedelta
from uuid import UUID

import orjson
from django.db import connection

from services.rules.kits import away_minutes
from spa_ops.tenancy.rules import house_policy

#: The longest contact time of a bath in use at location `l` at an instant; without one, of any label.
CONTACT_SECONDS = """coalesce(
    (SELECT max(b.contact_seconds) FROM disinfection_solution b
     WHERE b.location_id = l.id AND b.ended_at IS NULL AND b.voided_at IS NULL AND b.discard_at > %(now)s),
    (SELECT max(p.contact_seconds) FROM disinfection_product p))"""
_OF_KITS = f"""
SELECT l.policies, {CONTACT_SECONDS} FROM tenancy_location l
WHERE l.id IN (SELECT k.location_id FROM disinfection_kit k WHERE k.id = ANY(%(kits)s))
"""


def time_away(kit_ids: Collection[UUID], now: datetime) -> timedelta:
    """How long kits of one location are away after a turnover, as far as is known now."""
    if not kit_ids:
        return timedelta(0)
    with connection.cursor() as cursor:
        cursor.execute(_OF_KITS, {"kits": list(kit_ids), "now": now})
        row = cursor.fetchone()
    if row is None:
        return timedelta(0)
    policies = orjson.loads(row[0]) if isinstance(row[0], str) else row[0]
    return timedelta(minutes=away_minutes(house_policy(policies), row[1]))
