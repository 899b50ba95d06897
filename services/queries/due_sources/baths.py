"""Soak solutions whose use window is about to end."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from uuid import UUID

from compliance.disinfection.models import Solution
from compliance.disinfection.rules.baths import warn_at
from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location


def _ended(
    place: Location, keys: Iterable[tuple[UUID, datetime]]
) -> dict[tuple[UUID, datetime], datetime]:
    wanted = dict(keys)
    rows = Solution.objects.filter(id__in=wanted, ended_at__isnull=False)
    return {(i, wanted[i]): at for i, at in rows.values_list("id", "ended_at")}


@source(DueKind.BATH_ENDING, pace=Pace.MINUTES, done_at=_ended, for_inspectors=False)
def baths_ending(place: Location, now: datetime) -> Iterator[Standing]:
    """Every bath in use, due when it must be discarded. That it ended is in the log by itself."""
    before = timedelta(minutes=tenancy.policy_of(place).bath_warning_minutes)
    rows = Solution.objects.filter(location=place, ended_at=None)
    for row_id, container, mixed_at, discard_at in rows.values_list(
        "id", "container", "mixed_at", "discard_at"
    ):
        from_then = warn_at(mixed_at=mixed_at, discard_at=discard_at, before=before)
        yield Standing(subject_id=row_id, due_at=discard_at, warn_at=from_then, what=container)
