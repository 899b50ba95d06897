"""Reads of places and people, and the one way to load a row for writing."""

from datetime import date, datetime
from typing import TypeVar
from uuid import UUID

from django.db import connection, models
from django.db.models import Q

from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Auth, Role
from spa_ops.kernel.problems import NotAuthenticated, NotFound, StaleVersion
from spa_ops.tenancy.models import Licence, Location, Membership, Person
from spa_ops.tenancy.rules import HousePolicy, house_policy, licence_is_valid
from spa_ops.unit.work import reading

M = TypeVar("M", bound=models.Model)


def locked(model: type[M], row_id: UUID, actor: Actor, *, match: int | None = None) -> M:
    """The row, locked for this transaction (`FOR NO KEY UPDATE`), within the actor's reach.

    Raises `NotFound` when it is not there, another business's or another location's than the
    actor's; `StaleVersion` when `match` (from If-Match) is not its version.
    """
    row = (
        model._default_manager.select_for_update(of=("self",), no_key=True)
        .filter(id=row_id)
        .first()
    )
    return _checked(row, actor, match)


def loaded(model: type[M], row_id: UUID, actor: Actor) -> M:
    """The row, unlocked, within the actor's reach; raises `NotFound`."""
    return _checked(model._default_manager.filter(id=row_id).first(), actor, None)


def _checked(row: M | None, actor: Actor, match: int | None) -> M:
    if row is None or row.business_id != actor.business_id:  # type: ignore[attr-defined]
        raise NotFound
    place = row.id if isinstance(row, Location) else getattr(row, "location_id", None)  # type: ignore[attr-defined]
    if place is not None and not actor.covers(place):
        raise NotFound
    if match is not None and match != row.version:  # type: ignore[attr-defined]
        raise StaleVersion(current_version=row.version)  # type: ignore[attr-defined]
    return row


def location(location_id: UUID, actor: Actor) -> Location:
    """One location within reach; raises `NotFound`."""
    return loaded(Location, location_id, actor)


def policy_of(place: Location) -> HousePolicy:
    """The house policy of a location."""
    return house_policy(place.policies)


def memberships(person_id: UUID, at: datetime) -> list[Membership]:
    """The roles a person has at that moment, the widest first."""
    return list(
        Membership.objects.filter(
            Q(valid_until=None) | Q(valid_until__gt=at), person_id=person_id, valid_from__lte=at
        ).order_by(models.F("location_id").asc(nulls_first=True), "valid_from")
    )


def has_valid_licence(person_id: UUID, jurisdiction: str, on: date) -> bool:
    """Whether the person holds a licence of that jurisdiction valid on that local day."""
    return any(
        licence_is_valid(found.valid_from, found.valid_through, on)
        for found in Licence.objects.filter(person_id=person_id, jurisdiction=jurisdiction)
    )


def person_names(ids: set[UUID]) -> dict[UUID, str]:
    """Names by id."""
    return dict(Person.objects.filter(id__in=ids).values_list("id", "name"))


def business_ids() -> list[UUID]:
    """Every business, for background work that then looks at one at a time."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM tenancy_businesses()")
        return [row[0] for row in cursor.fetchall()]


def actor_for(secret_hash: bytes, acting: UUID | None, auth: Auth | None = None) -> Actor:
    """The actor behind a token's hash at this moment; raises `NotAuthenticated`."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT * FROM tenancy_authenticate(%s, %s, %s)", [secret_hash, clock.now(), acting]
        )
        row = cursor.fetchone()
    if row is None:
        raise NotAuthenticated
    token_id, business_id, person_id, role, location_id, device_id, how = row
    return Actor(
        business_id=business_id,
        role=Role(role),
        auth=auth or Auth(how),
        person_id=person_id,
        location_id=location_id,
        device_id=device_id,
        token_id=token_id,
    )


def all_locations() -> list[tuple[UUID, UUID]]:
    """(business, location) of every location, for background work that looks at one at a time."""
    found = []
    for business_id in business_ids():
        with reading(business_id):
            found += [
                (business_id, place)
                for place in Location.objects.order_by("id").values_list("id", flat=True)
            ]
    return found
