"""Licences of people and of the location that expire or have expired."""

from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta

from django.db.models import Q

from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Licence, Location, Membership


@source(DueKind.PERSON_LICENCE, pace=Pace.DAYS)
def licences_of_people(place: Location, now: datetime) -> Iterator[Standing]:
    """The last licence of each kind of everybody who works here, valid or not, with its end.

    One that was followed by a later one of its kind is no longer asked for.
    """
    here = Membership.objects.filter(
        Q(valid_until=None) | Q(valid_until__gt=now),
        Q(location=place) | Q(location=None),
        valid_from__lte=now,
        person__active=True,
    )
    rows = Licence.objects.filter(
        person__in=here.values("person"), jurisdiction=place.jurisdiction
    ).select_related("person")
    last: dict[tuple[object, str], Licence] = {}
    for row in rows.order_by("valid_through", "id"):
        last[row.person_id, row.kind] = row
    for row in last.values():
        yield _expiring(place, row.id, row.valid_through, f"{row.kind} licence, {row.person.name}")


@source(DueKind.LOCATION_LICENCE, pace=Pace.DAYS)
def licence_of_location(place: Location, now: datetime) -> Iterable[Standing]:
    """The location's own licence, where its last day is on file."""
    if place.licence_valid_through is None:
        return []
    return [_expiring(place, place.id, place.licence_valid_through, "licence of the location")]


def _expiring(place: Location, subject_id: object, through: date, what: str) -> Standing:
    # Valid through its last day, by the location's wall clock.
    due_at = local_day(through, place.zone).end
    days = timedelta(days=tenancy.policy_of(place).licence_warning_days)
    return Standing(subject_id=subject_id, due_at=due_at, warn_at=due_at - days, what=what)  # type: ignore[arg-type]
