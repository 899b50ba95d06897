"""How long kits are away after a visit, and when those of others lie in a bath. Reads only."""

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime
from uuid import UUID

from django.db import connection

from services.rules.kits import WayBack
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.models import Location

#: The longest contact time of a bath in use at location `l` at an instant; without one, of any label.
CONTACT_SECONDS = """coalesce(
    (SELECT max(b.contact_seconds) FROM disinfection_solution b
     WHERE b.location_id = l.id AND b.ended_at IS NULL AND b.voided_at IS NULL AND b.discard_at > %(now)s),
    (SELECT max(p.contact_seconds) FROM disinfection_product p))"""

_SOAKING = """
SELECT lower(c.span), upper(c.span) FROM claims_claim c
JOIN disinfection_kit k ON k.id = c.bookable_id
WHERE k.location_id = %s AND c.phase = 'soak' AND c.until_minute > %s
AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)
AND (c.visit_id = ANY(%s) OR c.line_id = ANY(%s)) IS NOT TRUE
"""


def with_soaking(
    way: WayBack,
    *,
    location_id: UUID,
    since: datetime,
    now: datetime,
    without: Collection[UUID] = (),
    is_locked: bool = False,
) -> WayBack:
    """The way back with what is planned to lie in the location's bath from `since` on; one statement or none.

    What visits, holds and lines `without` have planned does not count. `is_locked`: nobody else plans
    for the bath until the transaction ends; locked after bookables and visits.
    """
    if not way.capacity or not way.contact:
        return way
    if is_locked:
        # Two at once, with a kit each, would both count on its last place.
        places = Location.objects.select_for_update(of=("self",), no_key=True)
        places.filter(id=location_id).first()
    with connection.cursor() as cursor:
        others = list(without)
        cursor.execute(_SOAKING, [location_id, int(since.timestamp() // 60), now, others, others])
        soaking = tuple(Period(start, end) for start, end in cursor.fetchall())
    return replace(way, soaking=soaking)
