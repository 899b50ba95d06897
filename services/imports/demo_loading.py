"""Sets up the invented demo business through the actions: all that has to be there before the imports."""

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from compliance.disinfection import actions as disinfection
from compliance.disinfection.rules.reprocessing import ImplementClass
from rooms import actions as rooms
from rooms.queries.stock_use import first_moved
from services.actions import team
from services.imports import demo_business, demo_upkeep
from services.imports.service_intake import feature_code
from services.models import Service
from spa_ops.kernel.actor import Actor, Role, system_actor
from spa_ops.tenancy import actions as tenancy
from spa_ops.tenancy import queries as tenancy_queries
from spa_ops.tenancy.models import Location, Person
from spa_ops.tenancy.rules import WEEKDAYS
from spa_ops.unit.work import reading, run

#: Invented for the demo alone; production refuses to load it.
PASSWORDS = {
    Role.FRONT_DESK: "kettle-by-the-window",
    Role.PRACTITIONER: "warm-towels-at-noon",
    Role.LEAD: "lamps-before-opening",
    Role.OWNER: "two-doors-one-garden",
    Role.INSPECTOR: "ledger-under-my-arm",
}
PIN = "2468"
_SPACE = UUID("5ba0de00-0000-4000-8000-000000000000")
INSPECTOR = "Cressida Vantongeren"


def demo_id(name: str) -> UUID:
    """The id of the thing that the demo calls `name`: the same on every machine."""
    return uuid5(_SPACE, name)


BUSINESS_ID = demo_id(demo_business.BUSINESS)


def set_up(demo: Mapping[str, Any], now: datetime) -> None:
    """The business, then in one transaction its places, people, rooms, kits and disinfectant.

    `demo` is what the demo's business.json holds. The business is a fortnight old. Every room needs
    turnover, every implement is soiled and there is no bath, until somebody says otherwise by name.
    What is there already, from a load that was stopped, stays.
    """
    system, began = system_actor(BUSINESS_ID), now - demo_upkeep.OPEN_FOR
    if BUSINESS_ID not in tenancy_queries.business_ids():
        tenancy.create_business(name=demo["business"], now=began, business_id=BUSINESS_ID)
    with reading(BUSINESS_ID):
        if places():
            return
    run(lambda: _places(demo, system, began), actor=system, now=began)


def _places(demo: Mapping[str, Any], system: Actor, now: datetime) -> None:
    known = set(sign_ins(demo).values())
    _product(demo["disinfectant"], system, now)
    for place in demo["locations"]:
        tenancy.add_location(
            actor=system,
            now=now,
            id=demo_id(place["name"]),
            opening_hours={
                WEEKDAYS[day]: [[place["opens"], place["closes"]]] for day in place["weekdays"]
            },
            licence_number="EST-INVENTED-1",
            licence_valid_through=now.date() + timedelta(days=400),
            policies=dict(place["policies"]),
            **{k: place[k] for k in ("name", "zone", "country", "jurisdiction", "currency")},
        )
        _things(place, system, now)
        for person in place["team"]:
            _person(person, place, system, now, signs_in=person["name"] in known)
    _person(demo["owner"], None, system, now, signs_in=True)
    inspector = {"name": INSPECTOR, "role": "inspector", "shifts": [], "weekdays": []}
    _person(inspector, demo["locations"][0], system, now, signs_in=True)


def _product(label: Mapping[str, Any], system: Actor, now: datetime) -> None:
    names = (
        "name",
        "active",
        "registration_number",
        "contact_seconds",
        "hospital_type",
        "family",
        "stated_ppm",
    )
    disinfection.add_product(
        actor=system,
        now=now,
        id=demo_id("disinfectant"),
        parts_concentrate=Decimal(label["parts_concentrate"]),
        parts_water=Decimal(label["parts_water"]),
        use_limits=[{"kind": "days", "amount": label["use_days"], "citation": "label"}],
        **{name: label[name] for name in names},
    )


def _things(place: Mapping[str, Any], system: Actor, now: datetime) -> None:
    location_id = demo_id(place["name"])
    for room in place["rooms"]:
        rooms.add_room(
            actor=system,
            now=now,
            id=demo_id(f"{place['name']}/{room['name']}"),
            location_id=location_id,
            name=room["name"],
            features=[feature_code(text) for text in room["features"]],
        )
    for kind, implements, n in (
        (kit["kind"], kit["implements"], n + 1)
        for kit in place["kits"]
        for n in range(kit["count"])
    ):
        name = f"{kind} {n}"
        kit_id = demo_id(f"{place['name']}/{name}")
        disinfection.add_kit(
            actor=system, now=now, id=kit_id, location_id=location_id, name=name, kind=kind
        )
        for tool, how in implements:
            disinfection.add_implement(
                actor=system,
                now=now,
                kit_id=kit_id,
                tag=f"{place['name'].split()[1]} {name} {tool}",
                name=tool,
                kind=ImplementClass(how),
            )


def stock_up(demo: Mapping[str, Any], now: datetime) -> None:
    """What is in stock, in one transaction: it came on the day on which the demo is first looked at."""
    with reading(BUSINESS_ID):
        if first_moved(demo_id(demo["locations"][0]["name"])):
            return
    system = system_actor(BUSINESS_ID)

    def stock() -> None:
        _add_items(demo["stock"], system, now)
        for place in demo["locations"]:
            _stock_up(demo["stock"], place, system, now)

    run(stock, actor=system, now=now)


def _add_items(items: Any, system: Actor, now: datetime) -> None:
    """Every item of stock."""
    for item in items:
        rooms.add_stock_item(
            actor=system,
            now=now,
            id=demo_id(item["name"]),
            uses_each=Decimal(item["uses_each"]),
            pack_size=Decimal(item["pack_size"]),
            **{
                name: item[name]
                for name in ("name", "part", "unit", "code", "size", "lead_days", "months_after_opening")
            },
        )  # fmt: skip


def _stock_up(items: Any, place: Mapping[str, Any], system: Actor, now: datetime) -> None:
    """Every lot that came to a location, and one container of each item open in each wax room."""
    open_in = [r["name"] for r in place["rooms"] if "wax heater" in r["features"]]
    for item in items:
        for n, (amount, days) in enumerate(item["lots"]):
            rooms.receive_stock(
                actor=system,
                now=now,
                location_id=demo_id(place["name"]),
                item_id=demo_id(item["name"]),
                quantity=Decimal(amount),
                lot_number=f"INV-{n + 1}",
                expires_on=now.date() + timedelta(days=days),
            )
        for room in open_in[: len(open_in) * item["opened"]]:
            rooms.open_container(
                actor=system,
                now=now,
                location_id=demo_id(place["name"]),
                item_id=demo_id(item["name"]),
                room_id=demo_id(f"{place['name']}/{room}"),
            )


def login_of(name: str) -> str:
    """A login that is quick to type: the first name."""
    return name.split(maxsplit=1)[0].lower()


def sign_ins(demo: Mapping[str, Any]) -> dict[Role, str]:
    """Who signs in for each role: the names of people who can be met at the first location."""
    here = demo["locations"][0]["team"]
    found = {Role(p["role"]): p["name"] for p in reversed(here) if p["role"] != "practitioner"}
    # The tour is at any hour: its practitioner is one who is always there.
    found[Role.PRACTITIONER] = next(p["name"] for p in here if p["walk_in"])
    return found | {Role.OWNER: demo["owner"]["name"], Role.INSPECTOR: INSPECTOR}


def _person(
    person: Mapping[str, Any],
    place: Mapping[str, Any] | None,
    system: Actor,
    now: datetime,
    *,
    signs_in: bool,
) -> None:
    role, person_id = Role(person["role"]), demo_id(person["name"])
    location_id = demo_id(place["name"]) if place else None
    tenancy.add_person(
        actor=system,
        now=now,
        id=person_id,
        name=person["name"],
        login=login_of(person["name"]),
        # Who is not in the file of sign-ins cannot sign in at all.
        password=PASSWORDS[role] if signs_in else None,
        pin=PIN if signs_in and role is not Role.INSPECTOR else None,
    )
    tenancy.grant_membership(
        actor=system,
        now=now,
        person_id=person_id,
        role=role,
        location_id=location_id,
        # An inspector's role ends by itself; the demo may be looked at for longer.
        valid_until=now + timedelta(days=90) if role is Role.INSPECTOR else None,
    )
    if place and role in team.PERFORMS:
        tenancy.record_licence(
            actor=system,
            now=now,
            person_id=person_id,
            jurisdiction=place["jurisdiction"],
            kind="esthetician",
            number=f"INVENTED-{login_of(person['name']).upper()}",
            valid_through=now.date() + timedelta(days=400),
        )
        _shifts(person, location_id, system, now)


def _shifts(person: Mapping[str, Any], location_id: Any, system: Actor, now: datetime) -> None:
    for weekday in person["weekdays"]:
        for starts, ends in person["shifts"]:
            team.add_shift(
                actor=system,
                now=now,
                person_id=demo_id(person["name"]),
                location_id=location_id,
                weekday=weekday,
                starts=time.fromisoformat(starts),
                ends=time.fromisoformat(ends),
                # The weeks that the calendar looks back on were worked too.
                valid_from=_long_before(now),
            )


def _long_before(now: datetime) -> date:
    return now.date() - timedelta(days=60)


def grant_skills(demo: Mapping[str, Any], now: datetime) -> int:
    """Let each practitioner and lead perform the imported services of their skills; how many were new.

    The price list's word for a skill is not kept by the import: the demo's own list has it.
    """
    system = system_actor(BUSINESS_ID)
    skill_of = {service.name: service.skill for service in demo_business.SERVICES}
    people = [p for place in demo["locations"] for p in place["team"] if p["skills"]]

    def grant() -> int:
        services = list(Service.objects.filter(active=True).order_by("name"))
        wanted = [
            (demo_id(person["name"]), service.id)
            for person in people
            for service in services
            if skill_of.get(service.name) in person["skills"]
        ]
        for person_id, service_id in wanted:
            team.grant_skill(actor=system, now=now, person_id=person_id, service_id=service_id)
        return len(wanted)

    granted = run(grant, actor=system, now=now)
    return granted if isinstance(granted, int) else 0


def places() -> list[Location]:
    """The demo's locations that are there; inside a transaction of the business."""
    return list(Location.objects.filter(business_id=BUSINESS_ID))


def people() -> dict[str, Person]:
    """The demo's team by name; inside a transaction of the business."""
    return {person.name: person for person in Person.objects.filter(business_id=BUSINESS_ID)}
