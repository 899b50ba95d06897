"""That health was read, and the daily digest of it: one evidence entry for each chain and local day."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from clients import queries_reads as queries
from clients.models import Client, HealthRead, HealthReadDigest
from clients.queries import known_at
from clients.rules.reads import is_settled, next_day
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Business, Location
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import action, current

#: Days caught up in one transaction; the rest comes with the next beat.
MOST_DAYS = 31


@action
def digest_health_reads(*, actor: Actor, now: datetime, location_id: UUID | None) -> int:
    """An entry with count and digest for each day that is over and has none; returns how many.

    Days are the location's; with None those of the business's own chain, in UTC: its reads are by
    people who have all locations. From the day of the first read on every day gets one, also
    without reads, so that a missing one shows. Run as often as you like: a day is digested once.
    """
    kind = Location if location_id else Business
    # Two sweeps at once: the second leaves it to the first.
    rows = kind.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    place = rows.filter(id=location_id or actor.business_id).first()
    if place is None:
        return 0
    zone, made = place.zone if isinstance(place, Location) else "UTC", 0
    while made < MOST_DAYS and _digest_next(actor, now, location_id, zone):
        made += 1
    return made


def _digest_next(actor: Actor, now: datetime, location_id: UUID | None, zone: str) -> bool:
    chain_id = location_id or actor.business_id
    last = queries.last_digest(chain_id)
    if last is not None:
        day = next_day(last.day)
        # Where the last one ended, also if the place has another zone since: no gap, no overlap.
        start, end = last.until_at, max(last.until_at, local_day(day, zone).end)
    else:
        first = queries.first_read_at(location_id)
        if first is None:
            return False
        day = local_date(first, zone)
        start, end = local_day(day, zone).start, local_day(day, zone).end
    if not is_settled(end, now):
        return False
    count, digest = queries.digest_between(location_id, start, end)
    row = HealthReadDigest(business_id=actor.business_id, chain_id=chain_id, day=day, until_at=end)
    row.save(force_insert=True)
    current().evidence(
        "client.health_reads_digested",
        location_id=location_id,
        subject_id=row.id,
        facts={"day": day, "from_at": start, "until_at": end, "count": count, "digest": digest},
    )
    return True


@action
def record_read(
    *, actor: Actor, now: datetime, client_id: UUID, visit_id: UUID | None = None
) -> Client:
    """That somebody is shown something of a client's health; whoever shows it calls this with it.

    Returns the client. Raises `NotFound` also where the client is not linked to the actor's
    location; `Erased`.
    """
    client = known_at(tenancy.loaded(Client, client_id, actor), actor)
    if client.erased_at is not None:
        raise Erased
    HealthRead(
        business_id=client.business_id,
        client=client,
        visit_id=visit_id,
        person_id=actor.person_id,
        device_id=actor.device_id,
        location_id=actor.location_id,
        read_at=now,
    ).save(force_insert=True)
    return client


@action
def record_reads_of_visits(
    *, actor: Actor, now: datetime, visits: Iterable[tuple[UUID, UUID]]
) -> None:
    """That somebody is shown that these (client, visit) had to do with something; one statement."""
    rows = [
        HealthRead(
            business_id=actor.business_id,
            client_id=client_id,
            visit_id=visit_id,
            person_id=actor.person_id,
            device_id=actor.device_id,
            location_id=actor.location_id,
            read_at=now,
        )
        for client_id, visit_id in visits
    ]
    if rows:
        HealthRead.objects.bulk_create(rows)
