"""Reads of use windows: the closing that a bath's day has, the limits it was mixed under. Never writes."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from compliance.disinfection.models import Solution
from compliance.disinfection.rules.use_window import (
    DatedLimit,
    Origin,
    closing_of_day,
    limits_from,
    sooner,
)
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods


def closing_of(place: Location, at: datetime) -> datetime | None:
    """The closing of the business day that `at` belongs to, by the hours and zone that hold now."""
    return closing_of_day(
        at, open_on=lambda day: open_periods(place.opening_hours, place.zone, day), zone=place.zone
    )


def dated_limits(solution: Solution) -> tuple[DatedLimit, ...]:
    """The limits of a bath as they were when it was mixed, each with the instant that holds now."""
    return tuple(
        DatedLimit(
            limit=limits_from([kept], Origin(kept["origin"]))[0],
            ends_at=datetime.fromisoformat(kept["ends_at"]),
        )
        for kept in solution.limits
    )


def ending_sooner(
    place: Location, rows: Iterable[Solution], now: datetime
) -> list[tuple[Solution, tuple[DatedLimit, ...]]]:
    """Which of these baths must be discarded sooner by the hours and zone of `place`, with their limits then."""
    found = []
    for row in rows:
        limits = sooner(
            dated_limits(row),
            mixed_at=row.mixed_at,
            closing_at=closing_of(place, row.mixed_at),
            zone=place.zone,
            now=now,
        )
        if limits and limits[0].ends_at < row.discard_at:
            found.append((row, limits))
    return found


def running(location_id: UUID, now: datetime, *, lock: bool = False) -> list[Solution]:
    """The baths of a location that are neither ended nor past their window, by id; locked if `lock`."""
    rows = Solution.objects.filter(location_id=location_id, ended_at=None, discard_at__gt=now)
    if lock:
        rows = rows.select_for_update(of=("self",), no_key=True)
    return list(rows.order_by("id"))
