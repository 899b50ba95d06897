"""A location's settings change; what goes by its opening hours follows in the same transaction."""

from datetime import datetime
from typing import Any
from uuid import UUID

from compliance.disinfection import actions as disinfection
from rooms import actions as rooms
from rooms import queries as room_queries
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import actions as tenancy_actions
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import action


@action
def change_location(
    *, actor: Actor, now: datetime, location_id: UUID, match: int | None = None, **changes: Any
) -> Location:
    """Change a site's name, hours, policies or licence; with other hours ready rooms are ready until the
    closing that holds then, and baths that end at a closing which comes sooner end then.

    Visits that lie outside the new hours stay, as after any change of shifts. Raises `NotFound`,
    `StaleVersion`, `InvalidInput`.
    """
    hours = changes.get("opening_hours")
    if hours is None:
        return tenancy_actions.change_location(
            actor=actor, now=now, location_id=location_id, match=match, **changes
        )
    # The rooms first: who leaves one locks it and then, where baths are planned for, the location.
    room_queries.locked_rooms(tenancy.location(location_id, actor).id)
    place = tenancy_actions.change_location(
        actor=actor, now=now, location_id=location_id, match=match, **changes
    )
    rooms.redraw_readiness(actor=actor, now=now, location_id=location_id)
    disinfection.redraw_windows(actor=actor, now=now, location_id=location_id)
    return place
