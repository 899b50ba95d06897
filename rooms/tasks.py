"""The sweep that lets ready lapse at closing and flags rooms that are late. The table is the truth."""

from celery import shared_task

from rooms import actions
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import queries as tenancy

BEAT = {"flag-rooms": ("rooms.tasks.flag_rooms", 30)}


@shared_task(name="rooms.tasks.flag_rooms")
def flag_rooms() -> int:
    """Sweep every location, each in its own transaction; returns how many things changed."""
    return sum(
        actions.sweep_rooms(
            actor=system_actor(business_id), now=clock.now(), location_id=location_id
        )
        for business_id, location_id in tenancy.all_locations()
    )
