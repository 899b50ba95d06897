"""Businesses and their locations."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

from spa_ops.kernel.actor import Actor, system_actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries
from spa_ops.tenancy.models import (
    Business,
    Location,
)
from spa_ops.tenancy.rules import check_opening_hours, check_zone, house_policy
from spa_ops.tenancy.sealing import create_business_key
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current, run


def create_business(*, name: str, now: datetime, business_id: UUID | None = None) -> Business:
    """A new tenant with its sealing key. Run by the operator, not over the API."""
    new_id = business_id or uuid7()
    actor = system_actor(new_id)

    def body() -> Business:
        business = Business(id=new_id, business_id=new_id, name=name, created_at=now)
        put(business)
        create_business_key(new_id)
        current().evidence(
            "business.created", location_id=None, subject_id=new_id, facts={"business_id": new_id}
        )
        return business

    return run(body, actor=actor, now=now)  # type: ignore[return-value]


@action
def add_location(
    *,
    actor: Actor,
    now: datetime,
    name: str,
    zone: str,
    country: str,
    jurisdiction: str,
    currency: str,
    opening_hours: dict[str, Any],
    policies: dict[str, Any] | None = None,
    licence_number: str = "",
    licence_valid_through: date | None = None,
    id: UUID | None = None,
) -> Location:
    """A new site. Raises `InvalidInput` for a zone, hours or policies that cannot be."""
    house_policy(policies or {})
    place = Location(
        id=id or uuid7(),
        business_id=actor.business_id,
        name=name,
        zone=check_zone(zone),
        country=country,
        jurisdiction=jurisdiction,
        currency=currency,
        opening_hours=check_opening_hours(opening_hours),
        policies=policies or {},
        licence_number=licence_number,
        licence_valid_through=licence_valid_through,
    )
    put(place)
    _location_evidence("location.added", place)
    return place


@action
def change_location(
    *, actor: Actor, now: datetime, location_id: UUID, match: int | None = None, **changes: Any
) -> Location:
    """Change a site's name, hours, policies or establishment licence. A zone never changes by itself.

    What else goes by the hours is the caller's: `services.actions.opening_hours`.
    """
    place = queries.locked(Location, location_id, actor, match=match)
    if "policies" in changes:
        house_policy(changes["policies"])
    if "opening_hours" in changes:
        check_opening_hours(changes["opening_hours"])
    for name, value in changes.items():
        setattr(place, name, value)
    put(place, fields=list(changes))
    _location_evidence("location.changed", place)
    return place


@action
def change_zone(
    *, actor: Actor, now: datetime, location_id: UUID, zone: str, visits: int
) -> Location:
    """The site's wall clock is another from now on; no instant changes. `visits`: whose wall time does.

    Raises `InvalidInput` for what is no zone and for the present one. What else goes by the wall clock
    is the caller's: `services.actions.zone_change`.
    """
    place = queries.locked(Location, location_id, actor)
    was = place.zone
    if check_zone(zone) == was:
        raise invalid("/zone", "is the present zone")
    place.zone = zone
    put(place, fields=["zone"])
    current().evidence(
        "location.zone_changed",
        location_id=place.id,
        subject_id=place.id,
        facts={
            "location_id": place.id,
            "version": place.version,
            "was": was,
            "is": zone,
            "visits": visits,
        },
    )
    return place


def _location_evidence(kind: str, place: Location) -> None:
    through = place.licence_valid_through
    current().evidence(
        kind,
        location_id=place.id,
        subject_id=place.id,
        facts={
            "location_id": place.id,
            "version": place.version,
            "zone": place.zone,
            "jurisdiction": place.jurisdiction,
            "licence_number": place.licence_number or None,
            "licence_valid_through": through,
        },
    )
