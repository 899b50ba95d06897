"""A location goes by another time zone: what the wall clock decides follows, what was agreed stays."""

from datetime import datetime
from uuid import UUID

from compliance.disinfection import actions as disinfection
from rooms import actions as rooms
from rooms import queries as room_queries
from services.actions.booking import foresight_due
from services.problems import PreviewOutdated
from services.queries import zone_change as queries
from services.rules.zone_change import wall_time_changes
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import actions as tenancy_actions
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import insert, put_each
from spa_ops.unit.work import action


@action
def change_zone(
    *, actor: Actor, now: datetime, location_id: UUID, zone: str, shown: str
) -> Location:
    """Let a location go by another zone, as a preview has shown it: no instant of a visit changes.

    `shown` is the preview's. Locks the rooms, then the location, then its waiting reminders and its
    baths. A reminder that is meant for an hour of this clock goes out at that of the new one. A visit
    whose local day is another is looked at anew, since screening goes by days. Raises `NotFound`, `InvalidInput`,
    `PreviewOutdated`.
    """
    # The rooms first: who leaves one locks it and then, where baths are planned for, the location.
    room_queries.locked_rooms(tenancy.location(location_id, actor).id)
    place = tenancy.locked(Location, location_id, actor)
    was = place.zone
    visits = queries.coming_visits(place.id, now)
    if queries.shown(place, zone, visits) != shown:
        raise PreviewOutdated
    many = wall_time_changes([visit.starts_at for visit in visits], was, zone) if zone != was else 0
    reminders = queries.reminders_by_the_clock(place, zone, now, lock=True)
    place = tenancy_actions.change_zone(
        actor=actor, now=now, location_id=location_id, zone=zone, visits=many
    )
    rooms.redraw_readiness(actor=actor, now=now, location_id=location_id)
    disinfection.redraw_windows(actor=actor, now=now, location_id=location_id)
    for row, at in reminders:
        row.remind_at = at
    put_each([row for row, _ in reminders], fields=["remind_at"])
    other_day = {
        visit.client_id: visit
        for visit in visits
        if local_date(visit.starts_at, was) != local_date(visit.starts_at, zone)
    }
    if other_day:
        insert([foresight_due(visit, now) for visit in other_day.values()])
    return place
