"""Invented clients, the price list, and who may do what when: all through the actions."""

from datetime import date, time
from uuid import UUID

from clients import actions as clients
from clients import actions_consents as consents
from clients.models import ConsentPurpose
from services.actions import price_list, team
from services.models import Duty
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, Auth, Role, system_actor
from spa_ops.tenancy import actions as tenancy
from tests.world import BUSINESS, HARBOR, LAKE, uid

#: name -> area, method, hands-on minutes, price in cents, weeks to the next, kit
SERVICES = {
    # Facial waxing again in 4 weeks: common practice, no source.
    "brow wax": ("brow", "hard_wax", 15, 2200, 4, "brow"),
    "lip wax": ("lip", "hard_wax", 10, 1500, 4, ""),
    "full leg wax": ("leg", "soft_wax", 45, 6500, 5, ""),
    "facial": ("face", "facial", 50, 9000, 4, ""),
    "light peel": ("face", "peel", 30, 11000, 4, ""),
}
SKILLS = {"lena": SERVICES, "petra": SERVICES, "pavel": ["brow wax"], "hana": SERVICES}
PLACES = {"lena": LAKE, "petra": LAKE, "pavel": LAKE, "hana": HARBOR}
#: Monday to Saturday, from a Monday before the tests' day.
WORKDAYS, SINCE = range(6), date(2026, 1, 5)


def ada() -> Actor:
    """The attendant: a practitioner's rights for set-up and turnover, no licence and no skill."""
    return Actor(
        business_id=BUSINESS,
        role=Role.PRACTITIONER,
        auth=Auth.TOKEN,
        person_id=uid("ada"),
        location_id=LAKE,
    )


def build_clients() -> None:
    """Cora and Celia at Lake, Hugo at Harbor; five services; skills; shifts; Ada in the mornings."""
    _client("cora", "Cora Dvořák", LAKE, "(312) 555-0123", date(1990, 4, 12))
    _client("celia", "Celia O’Brien-Weiß", LAKE, "312 555 0124", date(1975, 11, 30))
    _client("hugo", "Hugo Łukasik", HARBOR, "(212) 555-0177", date(2001, 2, 28))
    for name, (area, method, hands_on, price, weeks, kit) in SERVICES.items():
        price_list.add_service(
            **_by_system(),
            id=uid(name),
            name=name.title(),
            area=area,
            method=method,
            hands_on_minutes=hands_on,
            price_minor=price,
            rebook_weeks=weeks,
            kit_kind=kit,
        )
    for person, services in SKILLS.items():
        for service in services:
            team.grant_skill(**_by_system(), person_id=uid(person), service_id=uid(service))
    for person, place in PLACES.items():
        _shifts(person, place, Duty.PRACTITIONER, time(19))
    _attendant()


def _client(name: str, full_name: str, place: UUID, phone: str, born: date) -> None:
    clients.add_client(
        **_by_system(),
        id=uid(name),
        location_id=place,
        name=full_name,
        phone=phone,
        email=f"{name}@invented.example",
        birth_date=born,
        language="en",
    )
    agree(name)


def agree(name: str, purpose: ConsentPurpose = ConsentPurpose.HEALTH_ANSWERS) -> None:
    """The client agrees to one purpose."""
    consents.give_consent(**_by_system(), client_id=uid(name), purpose=purpose)


def _attendant() -> None:
    tenancy.add_person(**_by_system(), id=uid("ada"), name="Ada", login="ada", pin="2468")
    tenancy.grant_membership(
        **_by_system(), person_id=uid("ada"), role=Role.PRACTITIONER, location_id=LAKE
    )
    _shifts("ada", LAKE, Duty.ATTENDANT, time(12))


def _shifts(person: str, place: UUID, duty: Duty, ends: time) -> None:
    for weekday in WORKDAYS:
        team.add_shift(
            **_by_system(),
            id=uid(f"{person} {weekday}"),
            person_id=uid(person),
            location_id=place,
            duty=duty,
            weekday=weekday,
            starts=time(9),
            ends=ends,
            valid_from=SINCE,
        )


def _by_system() -> dict[str, object]:
    return {"actor": system_actor(BUSINESS), "now": clock.now()}
