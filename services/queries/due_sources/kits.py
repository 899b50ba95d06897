"""Kits that stand soiled for too long."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from django.db.models import Min

from compliance.disinfection.models import Implement
from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location


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
