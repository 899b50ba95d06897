"""Kits that stand soiled for too long, miss a piece, or are not back when they are needed."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Min

from compliance.disinfection import queries as disinfection
from compliance.disinfection.models import Implement
from compliance.disinfection.queries import counting
from compliance.disinfection.rules.tracks import Track
from compliance.disinfection.rules.way_back import what_is_left
from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

#: Nothing lies in a bath for longer: what is needed later is not late now.
_AHEAD = timedelta(days=1)


@source(DueKind.KIT_SOILED, pace=Pace.MINUTES)
def kits_soiled(place: Location, now: datetime) -> Iterator[Standing]:
    """Kits with an implement that has been soiled since a known moment. Never used: not asked for."""
    allowed = timedelta(minutes=tenancy.policy_of(place).kit_soiled_minutes)
    rows = (
        Implement.objects.filter(location=place, state="soiled", since__isnull=False)
        .values("kit_id", "kit__name")
        .annotate(since=Min("since"))
    )
    for row in rows:
        yield Standing(
            subject_id=row["kit_id"], due_at=row["since"] + allowed, what=row["kit__name"]
        )


@source(DueKind.PIECE_MISSING, pace=Pace.MINUTES)
def pieces_missing(place: Location, _: datetime) -> Iterator[Standing]:
    """Implements that did not come back from a visit and are neither found nor written off."""
    for row in counting.missing_at(place.id):
        yield Standing(subject_id=row["id"], due_at=row["missed_at"], what=row["tag"])


# Of each kit its next use that is planned: of a visit, not of a hold that may come to nothing.
_NEXT_USES = """
SELECT k.id, k.name, min(lower(c.span)) FROM disinfection_kit k
JOIN claims_claim c ON c.bookable_id = k.id AND c.phase = 'service' AND c.hold_expires_at IS NULL
    AND c.until_minute > %s AND c.from_minute < %s AND lower(c.span) >= %s
WHERE k.location_id = %s GROUP BY k.id, k.name ORDER BY k.id
"""


@source(DueKind.KIT_LATE, pace=Pace.MINUTES, for_inspectors=False)
def kits_late(place: Location, now: datetime) -> Iterator[Standing]:
    """Kits that lie in a bath for longer than until their next planned use, counted with rinsing and drying.

    A contact time that was started anew by what was added is the usual reason. Raised as soon as it
    is known, due when the kit is needed: another kit or another time has to be found by people.
    """
    with connection.cursor() as cursor:
        since, until = now.timestamp() // 60, (now + _AHEAD).timestamp() // 60
        cursor.execute(_NEXT_USES, [int(since), int(until), now, place.id])
        uses = {kit_id: (name, at) for kit_id, name, at in cursor.fetchall()}
    policy = tenancy.policy_of(place)
    after = timedelta(minutes=policy.kit_rinse_minutes + policy.kit_dry_minutes)
    tracks: dict[UUID, list[Track]] = defaultdict(list)
    for row in Implement.objects.filter(kit_id__in=uses, written_off_at=None).order_by("id"):
        tracks[row.kit_id].append(disinfection.track_of(row))
    for kit_id, (name, needed_at) in uses.items():
        left = what_is_left(tracks[kit_id], now, after)
        if left is not None and left.back_at > needed_at:
            back, needed = (at.astimezone(ZoneInfo(place.zone)) for at in (left.back_at, needed_at))
            yield Standing(
                subject_id=kit_id,
                due_at=needed_at,
                warn_at=now,
                what=f"{name}: back at {back:%H:%M}, needed at {needed:%H:%M}",
            )
