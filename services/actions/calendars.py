"""Giving out and taking back the secret addresses of calendars."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from rooms import queries as rooms
from services.link_tokens import CALENDAR
from services.models import CalendarFeed
from services.queries import calendars as queries
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.problems import NotAllowed, NotFound, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location, Person
from spa_ops.unit.work import action

_FOR_ALL = frozenset({Role.LEAD, Role.OWNER})


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFeed:
    """A feed as it was made: the only time that its token is known."""

    feed: CalendarFeed
    token: str

    @property
    def id(self) -> UUID:
        return self.feed.id


@action
def open_feed(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    person_id: UUID | None = None,
    room_id: UUID | None = None,
) -> NewFeed:
    """A new address for one person's or one room's calendar, in place of any older one.

    A practitioner opens their own; a lead and the owner open all. Raises `NotFound` for who does not
    work here and for a room elsewhere, `NotAllowed`, `InvalidInput` unless exactly one is named.
    """
    # The location's lock keeps two at once from making two addresses.
    place = tenancy.locked(Location, location_id, actor)
    if (person_id is None) == (room_id is None):
        raise invalid("/person_id", "name a person or a room, and not both")
    if room_id is not None and room_id not in {room.id for room in rooms.rooms_of(place.id)}:
        raise NotFound
    if person_id is not None:
        tenancy.loaded(Person, person_id, actor)
    if actor.role not in _FOR_ALL and (person_id is None or person_id != actor.person_id):
        raise NotAllowed(needed="lead, owner")
    older = CalendarFeed.objects.filter(location=place, revoked_at=None)
    older.filter(person_id=person_id, room_id=room_id).update(revoked_at=now)
    token, secret_hash = CALENDAR.made(place.business_id)
    feed = CalendarFeed(
        business_id=place.business_id,
        location=place,
        person_id=person_id,
        room_id=room_id,
        secret_hash=secret_hash,
        created_at=now,
        created_by=actor.person_id,
    )
    if person_id is not None and not queries.works_at(feed, now):
        raise NotFound
    feed.save(force_insert=True)
    return NewFeed(feed=feed, token=token)


@action
def revoke_feed(*, actor: Actor, now: datetime, feed_id: UUID) -> CalendarFeed:
    """Take an address back: from now on nothing is read there. Once more changes nothing.

    Raises `NotFound`, and `NotAllowed` for somebody else's.
    """
    feed = tenancy.locked(CalendarFeed, feed_id, actor)
    own = feed.person_id is not None and feed.person_id == actor.person_id
    if actor.role not in _FOR_ALL and not own:
        raise NotAllowed(needed="lead, owner")
    if feed.revoked_at is None:
        feed.revoked_at = now
        feed.save(update_fields=["revoked_at"])
    return feed
