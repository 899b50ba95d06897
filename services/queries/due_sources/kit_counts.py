"""Kits that were counted out for a visit and are not counted back."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connection

from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from services.rules.stays import kit_is_done
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

Key = tuple[UUID, datetime]
#: House policy: by then linen and bin are long gone, and what is missing shows at the kit's next count.
LOOK_BACK = timedelta(days=31)

# Of a kit that was opened anew for its visit the last opening counts. An opening whose pieces were all struck out as not used did not happen.
_OPENED = """
SELECT u.kit_id, k.name, u.opened_at, v.left_at,
    CASE WHEN v.state IN ('cancelled', 'no_show') THEN
        (SELECT max(h.at) FROM services_visit_change h WHERE h.visit_id = v.id AND h.kind = v.state) END,
    (SELECT min(c.counted_at) FROM disinfection_kit_count c
     WHERE c.visit_id = u.visit_id AND c.kit_id = u.kit_id)
FROM disinfection_kit_use u
JOIN disinfection_kit k ON k.id = u.kit_id
LEFT JOIN services_visit v ON v.id = u.visit_id
WHERE k.location_id = %s AND u.opened_at > %s AND NOT EXISTS (
    SELECT 1 FROM disinfection_kit_use o
    WHERE o.visit_id = u.visit_id AND o.kit_id = u.kit_id AND o.opened_at > u.opened_at)
AND EXISTS (
    SELECT 1 FROM disinfection_event e JOIN disinfection_implement i ON i.id = e.implement_id
    WHERE i.kit_id = u.kit_id AND e.at = u.opened_at AND e.visit_id = u.visit_id AND e.kind = 'used'
    AND NOT EXISTS (SELECT 1 FROM disinfection_event_strike s WHERE s.event_id = e.id))
"""
_NOT_COUNTED = """ AND NOT EXISTS (
    SELECT 1 FROM disinfection_kit_count c WHERE c.visit_id = u.visit_id AND c.kit_id = u.kit_id)"""
_OF_KITS = " AND u.kit_id = ANY(%s)"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Use:
    kit_id: UUID
    name: str
    due_at: datetime
    counted_at: datetime | None


def _uses(place: Location, since: datetime, narrower: str, *params: Any) -> Iterator[_Use]:
    allowed = timedelta(minutes=tenancy.policy_of(place).kit_count_back_minutes)
    with connection.cursor() as cursor:
        cursor.execute(_OPENED + narrower, [place.id, since, *params])
        rows = cursor.fetchall()
    for kit_id, name, opened_at, left_at, called_off_at, counted_at in rows:
        done = kit_is_done(opened_at, left_at=left_at, called_off_at=called_off_at)
        yield _Use(kit_id=kit_id, name=name, due_at=done + allowed, counted_at=counted_at)


def _counted(place: Location, keys: Iterable[Key]) -> dict[Key, datetime]:
    """When each kit was first counted back after the visit that its check was for."""
    wanted = set(keys)
    since = min(due_at for _, due_at in wanted) - LOOK_BACK
    uses = _uses(place, since, _OF_KITS, [kit_id for kit_id, _ in wanted])
    found = {(use.kit_id, use.due_at): use.counted_at for use in uses}
    return {key: at for key in wanted if (at := found.get(key)) is not None}


@source(DueKind.KIT_NOT_COUNTED, pace=Pace.MINUTES, done_at=_counted)
def kits_not_counted(place: Location, now: datetime) -> Iterator[Standing]:
    """Kits that were opened for a visit and not counted back, due the house's minutes after its end.

    Also after a visit that was cancelled: what was opened went out. Whose visit it was is not said.
    """
    for use in _uses(place, now - LOOK_BACK, _NOT_COUNTED):
        yield Standing(
            subject_id=use.kit_id, due_at=use.due_at, what=f"{use.name}: not counted back"
        )
