"""The sweeps that end what is past its time (soak solutions, pouches) and warn before. The tables are the truth."""

from celery import shared_task

from compliance.disinfection import actions
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import queries as tenancy

BEAT = {
    "expire-solutions": ("disinfection.tasks.expire_solutions", 15),
    "warn-of-soaks": ("disinfection.tasks.warn_of_soaks", 30),
    "end-shelf-lives": ("disinfection.tasks.end_shelf_lives", 60),
}


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


@shared_task(name="disinfection.tasks.warn_of_soaks")
def warn_of_soaks() -> int:
    """Say, once for each soak, what soaks far too long; returns how many."""
    warned = 0
    for business_id, location_id in tenancy.all_locations():
        warned += actions.warn_of_soaks(
            actor=system_actor(business_id), now=clock.now(), location_id=location_id
        )
    return warned


@shared_task(name="disinfection.tasks.end_shelf_lives")
def end_shelf_lives() -> int:
    """Sweep every location for pouches past their shelf life; returns how many implements."""
    ended = 0
    for business_id, location_id in tenancy.all_locations():
        while done := actions.end_shelf_lives(
            actor=system_actor(business_id), now=clock.now(), location_id=location_id
        ):
            ended += done
    return ended
