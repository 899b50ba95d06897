"""The sweep that ends soak solutions past their use window. The table is the truth."""

from celery import shared_task

from compliance.disinfection import actions
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import queries as tenancy

BEAT = {"expire-solutions": ("disinfection.tasks.expire_solutions", 15)}


@shared_task(name="disinfection.tasks.expire_solutions")
def expire_solutions() -> int:
    """Sweep every location, in batches of up to 500 baths each; returns how many ended."""
    ended = 0
    for business_id, location_id in tenancy.all_locations():
        while True:
            batch = actions.expire_solutions(
                actor=system_actor(business_id), now=clock.now(), location_id=location_id
            )
            ended += batch
            if batch < 500:
                break
    return ended
