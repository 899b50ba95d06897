"""Sweeps: ready lapses at closing, rooms that are late are flagged, stock is summed up. The table is the truth."""

from celery import shared_task

from rooms import actions
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import queries as tenancy

BEAT = {
    "flag-rooms": ("rooms.tasks.flag_rooms", 30),
    "sum-up-stock": ("rooms.tasks.sum_up_stock", 60),
}


@shared_task(name="rooms.tasks.flag_rooms")
def flag_rooms() -> int:
    """Sweep every location, each in its own transaction; returns how many things changed."""
    return sum(
        actions.sweep_rooms(
            actor=system_actor(business_id), now=clock.now(), location_id=location_id
        )
        for business_id, location_id in tenancy.all_locations()
    )


@shared_task(name="rooms.tasks.sum_up_stock")
def sum_up_stock() -> int:
    """Put new movements of stock into the balances; gives how many. Nothing changes but how fast they are read."""
    total = 0
    for business_id, location_id in tenancy.all_locations():
        actor = system_actor(business_id)
        while done := actions.sum_up_stock(actor=actor, now=clock.now(), location_id=location_id):
            total += done
    return total
