"""The least minutes a plan gives to a turnover. Reads only."""

from datetime import datetime

from django.db import connection

from rooms.queries import shortest_turnover_minutes
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location

#: The shortest wet time on a label on file: nobody plans with less, whichever product is taken.
WET_SECONDS = (
    """(SELECT min(p.contact_seconds) FROM disinfection_product p WHERE p.contact_seconds > 0)"""
)


def least_clean_up(place: Location, now: datetime) -> int:
    """Whole minutes that no turnover planned there today is shorter than."""
    today = local_date(now, place.zone)
    return shortest_turnover_minutes(place.jurisdiction, today, shortest_wet_seconds())


def shortest_wet_seconds() -> int | None:
    """The shortest wet time on a label on file; None: none is on file."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {WET_SECONDS}")
        found: int | None = cursor.fetchone()[0]
    return found
