"""The invented businesses of the tests, built through the actions. Ids are fixed, so tests name things."""

from datetime import date
from uuid import UUID, uuid5

from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Auth, Role, system_actor
from spa_ops.tenancy import actions as tenancy

SPACE = UUID("5ba00000-0000-4000-8000-000000000000")
HOURS = {day: [["09:00", "19:00"]] for day in ("mon", "tue", "wed", "thu", "fri", "sat")}


def uid(name: str) -> UUID:
    """The id of the thing that tests call `name`."""
    return uuid5(SPACE, name)


BUSINESS, OTHER = uid("business"), uid("other business")
LAKE, HARBOR, ELSEWHERE = uid("lake"), uid("harbor"), uid("elsewhere")
STAFF = {
    "olga": (Role.OWNER, None),
    "lena": (Role.LEAD, LAKE),
    "petra": (Role.PRACTITIONER, LAKE),
    "pavel": (Role.PRACTITIONER, LAKE),
    "freya": (Role.FRONT_DESK, LAKE),
    "henk": (Role.LEAD, HARBOR),
    "hana": (Role.PRACTITIONER, HARBOR),
    "inga": (Role.INSPECTOR, LAKE),
}


def actor(name: str) -> Actor:
    """The actor of a team member, as the token look-up would make it."""
    role, place = STAFF[name]
    return Actor(
        business_id=BUSINESS, role=role, auth=Auth.TOKEN, person_id=uid(name), location_id=place
    )


def stranger() -> Actor:
    """The owner of the other business."""
    return Actor(business_id=OTHER, role=Role.OWNER, auth=Auth.TOKEN, person_id=uid("stranger"))


def build() -> None:
    """Both businesses with places, people, roles and licences; later parts are added per app."""
    _business(BUSINESS, "Invented Juniper Skin Rooms")
    _business(OTHER, "Invented Alder Skin Rooms")
    _location(BUSINESS, LAKE, "Lake", "America/Chicago", "us-tx")
    _location(BUSINESS, HARBOR, "Harbor", "America/New_York", "us-ny")
    _location(OTHER, ELSEWHERE, "Elsewhere", "America/Chicago", "us-tx")
    for name, (role, place) in STAFF.items():
        _person(BUSINESS, name, role, place)
    _person(OTHER, "stranger", Role.OWNER, None)
    from tests.world_rooms import build_rooms

    build_rooms()
    from tests.world_clients import build_clients

    build_clients()


def _business(business_id: UUID, name: str) -> None:
    tenancy.create_business(name=name, now=clock.now(), business_id=business_id)


def _location(
    business_id: UUID, location_id: UUID, name: str, zone: str, jurisdiction: str
) -> None:
    tenancy.add_location(
        actor=system_actor(business_id),
        now=clock.now(),
        id=location_id,
        name=name,
        zone=zone,
        country="US",
        jurisdiction=jurisdiction,
        currency="USD",
        opening_hours=HOURS,
        licence_number="EST-INVENTED-1",
        licence_valid_through=date(2027, 3, 31),
    )


def _person(business_id: UUID, name: str, role: Role, place: UUID | None) -> None:
    system, now = system_actor(business_id), clock.now()
    tenancy.add_person(
        actor=system,
        now=now,
        id=uid(name),
        name=name.title(),
        login=name,
        password=f"invented-{name}-password",
        pin="2468",
    )
    tenancy.grant_membership(
        actor=system, now=now, person_id=uid(name), role=role, location_id=place
    )
    if role in {Role.PRACTITIONER, Role.LEAD}:
        tenancy.record_licence(
            actor=system,
            now=now,
            person_id=uid(name),
            jurisdiction="us-tx" if place == LAKE else "us-ny",
            kind="esthetician",
            number=f"INV-{name.upper()}",
            valid_through=date(2026, 12, 31),
        )
