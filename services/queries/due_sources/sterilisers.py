"""Spore tests that are due or late."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from uuid import UUID

from compliance.disinfection.models import SporeTest, Steriliser
from compliance.disinfection.queries import sterilising
from compliance.disinfection.rules.sterilising import SporeResult, out_of_use
from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location


def _tested(
    place: Location, keys: Iterable[tuple[UUID, datetime]]
) -> dict[tuple[UUID, datetime], datetime]:
    """When the test that a check asked for was taken: the first since the last one before it."""
    found = {}
    for steriliser_id, due_at in keys:
        taken = SporeTest.objects.filter(steriliser_id=steriliser_id).exclude(
            result=SporeResult.FAILED.value
        )
        last = taken.order_by("-taken_at").first()
        if last is None:
            continue
        after = taken.filter(taken_at__gte=due_at).order_by("taken_at").first()
        found[steriliser_id, due_at] = (after or last).taken_at
    return found


@source(DueKind.SPORE_TEST, pace=Pace.DAYS, done_at=_tested)
def spore_tests(place: Location, now: datetime) -> Iterator[Standing]:
    """The next spore test of each steriliser in use; of one that is out of use, the one that puts it
    back, due since then.
    """
    policy = tenancy.policy_of(place)
    warning = timedelta(days=policy.spore_test_warning_days)
    for row in Steriliser.objects.filter(location=place, retired_at=None).order_by("id"):
        row.location = place
        outage = out_of_use(sterilising.outages_of(row), now)
        due_at = (
            outage.since if outage else sterilising.next_test_due(row, now, policy.spore_test_days)
        )
        yield Standing(
            subject_id=row.id,
            due_at=due_at,
            warn_at=due_at - warning,
            what=f"spore test, {row.name}",
        )
