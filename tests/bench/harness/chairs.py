"""An invented business for measuring: chairs, each a room with its practitioner and a client for it."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID

#: A Wednesday well behind any clock's today, so that who may sign in may do so now; plans lie after it.
NOW = datetime(2024, 5, 8, 12, 0, tzinfo=UTC)
MINUTES = {"set_up": 5, "consultation": 5, "hands_on": 10, "aftercare": 5, "clean_up": 10}
#: One plan after the other on one chair: as long as all parts together.
PACE = timedelta(minutes=sum(MINUTES.values()))
PLANS_A_DAY = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Chair:
    """Who and what one process books; nobody else's plans touch it."""

    business_id: UUID
    location_id: UUID
    desk_id: UUID
    room_id: UUID
    practitioner_id: UUID
    client_id: UUID
    service_id: UUID


def starts_of(run: int, many: int) -> list[datetime]:
    """The starts of run `run`, in order, for a chair that is used `many` times in each run."""
    first = run * many
    return [
        NOW.replace(hour=9) + timedelta(days=1 + n // PLANS_A_DAY) + n % PLANS_A_DAY * PACE
        for n in range(first, first + many)
    ]


def furnish(locations: int, chairs_each: int) -> list[Chair]:
    """A new business with that many locations and chairs, through the actions."""
    from services.actions import price_list
    from spa_ops.kernel.actor import system_actor
    from spa_ops.kernel.ids import uuid7
    from spa_ops.tenancy import actions as tenancy

    business_id, service_id = uuid7(), uuid7()
    tenancy.create_business(name="Invented Birch Skin Rooms", now=NOW, business_id=business_id)
    by: dict[str, Any] = {"actor": system_actor(business_id), "now": NOW}
    places = [_location(by, f"Invented location {i}") for i in range(locations)]
    price_list.add_service(
        **by,
        id=service_id,
        name="Lip wax",
        area="lip",
        method="hard_wax",
        price_minor=1500,
        currency="USD",
        **{f"{part}_minutes": minutes for part, minutes in MINUTES.items()},
    )
    return [
        _chair(by, place, service_id, f"{place} {n}")
        for place in places
        for n in range(chairs_each)
    ]


def _location(by: dict[str, Any], name: str) -> UUID:
    from spa_ops.kernel.ids import uuid7
    from spa_ops.tenancy import actions as tenancy

    place = uuid7()
    days = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    tenancy.add_location(
        **by,
        id=place,
        name=name,
        zone="UTC",
        country="US",
        jurisdiction="us-tx",
        currency="USD",
        opening_hours={day: [["08:00", "22:00"]] for day in days},
        licence_number="EST-INVENTED-1",
        licence_valid_through=date(2099, 3, 31),
    )
    return place


def _chair(by: dict[str, Any], place: UUID, service_id: UUID, name: str) -> Chair:
    from clients import actions as clients
    from rooms import actions as rooms
    from services.actions import team
    from services.models import Duty
    from spa_ops.kernel.actor import Role
    from spa_ops.kernel.ids import uuid7
    from spa_ops.tenancy import actions as tenancy

    room, client, practitioner, desk = uuid7(), uuid7(), uuid7(), uuid7()
    rooms.add_room(**by, id=room, location_id=place, name=name, features=["sink"])
    clients.add_client(**by, id=client, location_id=place, name=f"Invented {name}")
    for person, role in ((practitioner, Role.PRACTITIONER), (desk, Role.FRONT_DESK)):
        tenancy.add_person(**by, id=person, name=f"Invented {role}", login=str(person), pin="2468")
        tenancy.grant_membership(**by, person_id=person, role=role, location_id=place)
    tenancy.record_licence(
        **by,
        person_id=practitioner,
        jurisdiction="us-tx",
        kind="esthetician",
        number=f"INVENTED-{practitioner}",
        valid_through=date(2099, 12, 31),
    )
    team.grant_skill(**by, person_id=practitioner, service_id=service_id)
    for weekday in range(7):
        team.add_shift(
            **by,
            person_id=practitioner,
            location_id=place,
            duty=Duty.PRACTITIONER,
            weekday=weekday,
            starts=time(8),
            ends=time(22),
            valid_from=date(2024, 1, 1),
        )
    return Chair(
        business_id=by["actor"].business_id,
        location_id=place,
        desk_id=desk,
        room_id=room,
        practitioner_id=practitioner,
        client_id=client,
        service_id=service_id,
    )
