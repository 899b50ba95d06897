"""Reads for calendars: which address is whose, and what is taken of them."""

from datetime import datetime
from uuid import UUID

from django.db import connection

from services.models import CalendarFeed
from services.rules.calendars import AHEAD, BACK, Taken
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy

#: More than a person or room can have in the time served, by far.
MOST = 20_000

_TAKEN = """
SELECT c.id, lower(c.span), upper(c.span), c.phase, v.id, coalesce(v.version, 0),
       coalesce((SELECT max(x.at) FROM services_visit_change x
                 WHERE x.business_id = v.business_id AND x.visit_id = v.id), v.booked_at),
       coalesce(s.name, ''), coalesce(CASE WHEN %(of_room)s THEN p.name ELSE r.name END, '')
FROM claims_claim c
LEFT JOIN services_visit v ON v.business_id = c.business_id AND v.id = c.visit_id
LEFT JOIN services_line l ON l.business_id = c.business_id AND l.id = c.line_id
LEFT JOIN services_service s ON s.business_id = l.business_id AND s.id = l.service_id
LEFT JOIN rooms_room r ON r.business_id = l.business_id AND r.id = l.room_id
LEFT JOIN tenancy_person p ON p.business_id = l.business_id AND p.id = l.practitioner_id
WHERE c.bookable_id = %(subject)s AND c.span && tstzrange(%(since)s, %(until)s)
AND c.hold_expires_at IS NULL AND (c.phase = 'absence' OR v.location_id = %(place)s)
ORDER BY lower(c.span) LIMIT %(most)s
"""


def feed_with(secret_hash: bytes, now: datetime) -> CalendarFeed:
    """The feed at that address; raises `NotFound` once it was taken back or its person works here no more."""
    found = (
        CalendarFeed.objects.select_related("location", "person", "room")
        .filter(secret_hash=secret_hash, revoked_at=None)
        .first()
    )
    if found is None:
        raise NotFound
    if found.person_id is not None and not works_at(found, now):
        raise NotFound
    return found


def works_at(feed: CalendarFeed, now: datetime) -> bool:
    """Whether the feed's person has a role at its location."""
    roles = tenancy.memberships(feed.person_id, now)
    return any(role.location_id in {None, feed.location_id} for role in roles)


def taken_of(feed: CalendarFeed, now: datetime) -> list[Taken]:
    """What plans take of the feed's person or room, by time; holds are no plans yet."""
    asked = {
        "of_room": feed.room_id is not None,
        "subject": feed.room_id or feed.person_id,
        "since": now - BACK,
        "until": now + AHEAD,
        "place": feed.location_id,
        "most": MOST,
    }
    with connection.cursor() as cursor:
        cursor.execute(_TAKEN, asked)
        return [
            Taken(
                id=claim_id,
                period=Period(start, end),
                phase=phase,
                visit_id=visit_id,
                version=version,
                changed_at=changed_at,
                service=service,
                beside=beside,
            )
            for claim_id, start, end, phase, visit_id, version, changed_at, service, beside in cursor.fetchall()
        ]


def feeds_at(location_id: UUID, *, person_id: UUID | None = None) -> list[CalendarFeed]:
    """The addresses that are good at a location, of all or of one person, the newest first."""
    rows = CalendarFeed.objects.filter(location_id=location_id, revoked_at=None)
    if person_id is not None:
        rows = rows.filter(person_id=person_id)
    return list(rows.order_by("-created_at", "-id"))
