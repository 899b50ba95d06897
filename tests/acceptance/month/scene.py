"""The invented location that a month is simulated at: six rooms, two shifts of six, kits and clients."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from clients import actions as clients
from clients import actions_consents as consents
from clients.models import ConsentPurpose
from compliance.disinfection import actions as disinfection
from compliance.disinfection.rules.reprocessing import ImplementClass
from rooms import actions as rooms
from services.actions import price_list, team
from spa_ops.kernel.actor import Actor, Auth, Role, system_actor
from spa_ops.tenancy import actions as tenancy
from tests.world import BUSINESS, uid

PLACE, ZONE = uid("month house"), ZoneInfo("America/Chicago")
#: A Monday; nobody was treated there before.
FIRST_DAY = date(2026, 6, 1)
ROOMS, KITS = 6, 24
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: name -> area, hands-on minutes, price, kit kind. Each client has another one each time.
SERVICES = {
    "month brow": ("brow", 8, 2200, "month brow"),
    "month lip": ("lip", 6, 1500, ""),
    "month chin": ("chin", 6, 1600, ""),
}
TOOLS = ("tweezers", "scissors")
#: The surface disinfectant's wet time and the soak's contact time, in seconds.
WET, SOAK = 180, 600


def instant(day: int, hour: int, minute: int = 0) -> datetime:
    """A wall time of the simulated month, as an instant."""
    on = FIRST_DAY + timedelta(days=day)
    return datetime.combine(on, time(hour, minute), ZONE).astimezone(UTC)


#: When everything was set up: the Sunday before.
EVE = instant(-1, 12)


@dataclass(slots=True)
class Scene:
    """Who is there, by what they are called."""

    rooms: list[UUID] = field(default_factory=list)
    kits: list[UUID] = field(default_factory=list)
    clients: list[UUID] = field(default_factory=list)

    def practitioner(self, room: int, *, late: bool) -> UUID:
        """Who works in a room in the early or in the late shift."""
        return uid(f"month worker {room + (ROOMS if late else 0)}")


def by(role: Role, who: str) -> Actor:
    """Somebody of the location, signed in."""
    return Actor(
        business_id=BUSINESS, role=role, auth=Auth.TOKEN, person_id=uid(who), location_id=PLACE
    )


def worker(person_id: UUID) -> Actor:
    """A practitioner of the location, signed in."""
    return Actor(
        business_id=BUSINESS,
        role=Role.PRACTITIONER,
        auth=Auth.TOKEN,
        person_id=person_id,
        location_id=PLACE,
    )


def build(many_clients: int) -> Scene:
    """Everything through the actions, as an owner would set it up."""
    common: dict[str, Any] = {"actor": system_actor(BUSINESS), "now": EVE}
    tenancy.add_location(
        **common,
        id=PLACE,
        name="Invented month house",
        zone=str(ZONE),
        country="US",
        jurisdiction="us-tx",
        currency="USD",
        opening_hours={day: [["07:00", "22:00"]] for day in DAYS},
        licence_number="EST-INVENTED-6",
        licence_valid_through=date(2027, 3, 31),
    )
    for name, seconds in (("month surface", WET), ("month soak", SOAK)):
        disinfection.add_product(
            **common, id=uid(name), name=f"invented {name}", active="quaternary ammonium compounds",
            registration_number="INVENTED-2-1", parts_concentrate=Decimal(1), parts_water=Decimal(16),
            contact_seconds=seconds, hospital_type=True,
        )  # fmt: skip
    for name, (area, minutes, price, kit) in SERVICES.items():
        price_list.add_service(
            **common, id=uid(name), name=name, area=area, method="hard_wax", hands_on_minutes=minutes,
            set_up_minutes=3, consultation_minutes=3, aftercare_minutes=2, clean_up_minutes=5,
            price_minor=price, currency="USD", rebook_weeks=4, kit_kind=kit,
        )  # fmt: skip
    scene = Scene()
    for n in range(ROOMS):
        scene.rooms.append(uid(f"month room {n}"))
        rooms.add_room(**common, id=scene.rooms[-1], location_id=PLACE, name=f"month room {n}")
    _people(common)
    for n in range(KITS):
        scene.kits.append(_kit(common, n))
    for n in range(many_clients):
        scene.clients.append(_client(common, n))
    return scene


def _people(common: dict[str, Any]) -> None:
    for name, role in [
        ("month desk", Role.FRONT_DESK),
        *((f"month worker {n}", Role.PRACTITIONER) for n in range(2 * ROOMS)),
    ]:
        tenancy.add_person(**common, id=uid(name), name=name, login=name, pin="2468")
        tenancy.grant_membership(**common, person_id=uid(name), role=role, location_id=PLACE)
    for n in range(2 * ROOMS):
        who = uid(f"month worker {n}")
        tenancy.record_licence(
            **common, person_id=who, jurisdiction="us-tx", kind="esthetician",
            number=f"INV-M{n}", valid_through=date(2027, 12, 31),
        )  # fmt: skip
        for service in SERVICES:
            team.grant_skill(**common, person_id=who, service_id=uid(service))
        starts, ends = (time(7), time(14, 30)) if n < ROOMS else (time(14, 30), time(22))
        for weekday in range(7):
            team.add_shift(
                **common, person_id=who, location_id=PLACE, weekday=weekday,
                starts=starts, ends=ends, valid_from=FIRST_DAY,
            )  # fmt: skip


def _kit(common: dict[str, Any], n: int) -> UUID:
    kit = uid(f"month kit {n}")
    disinfection.add_kit(
        **common, id=kit, location_id=PLACE, name=f"month kit {n}", kind="month brow"
    )
    for tool in TOOLS:
        disinfection.add_implement(
            **common, kit_id=kit, tag=f"month {n} {tool}", name=tool, kind=ImplementClass.IMMERSIBLE
        )
    return kit


def _client(common: dict[str, Any], n: int) -> UUID:
    client = uid(f"month client {n}")
    clients.add_client(
        **common, id=client, location_id=PLACE, name=f"Invented guest {n}", birth_date=date(1988, 3, 4)
    )  # fmt: skip
    consents.give_consent(**common, client_id=client, purpose=ConsentPurpose.HEALTH_ANSWERS)
    return client
