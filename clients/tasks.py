"""Sweeps over clients' records. The tables are the truth; a lost message costs nothing."""

import logging

from celery import shared_task
from celery.exceptions import SoftTimeLimitExceeded

from clients.actions_erasure import expire_health_answers
from clients.actions_reads import digest_health_reads
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.tenancy import queries as tenancy

log = logging.getLogger("clients.tasks")
BEAT = {
    "digest-health-reads": ("clients.tasks.digest_reads", 600),
    "expire-health": ("clients.tasks.expire_health", 3600),
}


@shared_task(name="clients.tasks.digest_reads")
def digest_reads() -> int:
    """Digest every day that is over, of each location and business; returns how many days."""
    done = 0
    chains = [(b, None) for b in tenancy.business_ids()] + tenancy.all_locations()
    for business_id, location_id in chains:
        try:
            done += digest_health_reads(
                actor=system_actor(business_id), now=clock.now(), location_id=location_id
            )
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one place's trouble must not silence the others
            log.exception("digests of %s stopped", location_id or business_id)
    return done


@shared_task(name="clients.tasks.expire_health")
def expire_health() -> int:
    """Make unreadable what the retention rule lets go, a batch per location; returns how many clients."""
    done = 0
    for business_id, location_id in tenancy.all_locations():
        try:
            done += expire_health_answers(
                actor=system_actor(business_id), now=clock.now(), location_id=location_id
            )
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one place's trouble must not keep the others waiting
            log.exception("retention at %s stopped", location_id)
    return done
