"""Reads of who read health answers, and the check of each day's digest. Never writes."""

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients.models import HealthRead, HealthReadDigest
from clients.rules.reads import digest_of
from compliance.ledger.queries import entries

KIND = "client.health_reads_digested"
_COLUMNS = ("id", "client_id", "visit_id", "person_id", "device_id", "location_id", "read_at")


def first_read_at(location_id: UUID | None) -> datetime | None:
    """When the first read at a location (None: by who has them all) was, if there was one."""
    rows = HealthRead.objects.filter(location_id=location_id).order_by("read_at")
    return rows.values_list("read_at", flat=True).first()


def last_digest(chain_id: UUID) -> HealthReadDigest | None:
    """The latest day of a chain that has its digest."""
    return HealthReadDigest.objects.filter(chain_id=chain_id).order_by("-day").first()


def digest_between(location_id: UUID | None, start: datetime, end: datetime) -> tuple[int, str]:
    """Count and digest of the reads in [start, end), in bounded memory."""
    rows = HealthRead.objects.filter(
        location_id=location_id, read_at__gte=start, read_at__lt=end
    ).order_by("read_at", "id")
    return digest_of(rows.values(*_COLUMNS).iterator(chunk_size=2000))


def days_digested(chain_id: UUID) -> Iterator[dict[str, Any]]:
    """The facts of every digest entry of a chain, in its order."""
    after = 0
    while found := entries(chain_id, kinds=[KIND], after_n=after, limit=500):
        for entry in found:
            yield entry["facts"] | {"n": entry["n"]}
        after = found[-1]["n"]


def digest_flaws(business_id: UUID, chain_id: UUID) -> list[str]:
    """What does not agree between the reads as they are now and the days' entries; empty is good.

    Finds a read that was removed, changed or added after its day was digested, and a day without
    an entry between two. That the entries themselves stand is the chain's own verification. Run
    inside one repeatable-read transaction.
    """
    location_id = None if chain_id == business_id else chain_id
    flaws, ends_at = [], None
    for facts in days_digested(chain_id):
        day = date.fromisoformat(facts["day"])
        start, end = (datetime.fromisoformat(facts[name]) for name in ("from_at", "until_at"))
        if ends_at is None:
            first = first_read_at(location_id)
            if first is not None and first < start:
                flaws.append(f"a read at {first.isoformat()} is before the first day digested")
        elif start != ends_at:
            flaws.append(f"{day}: the day before it has no entry")
        count, digest = digest_between(location_id, start, end)
        if count != facts["count"]:
            flaws.append(f"{day}: {facts['count']} reads were recorded, now there are {count}")
        elif digest != facts["digest"]:
            flaws.append(f"{day}: a read is not as it was recorded")
        ends_at = end
    return flaws
