"""Rooms, kits and a disinfectant of the invented business; ready as after a proper morning."""

from datetime import timedelta
from decimal import Decimal

from compliance.disinfection import actions as disinfection
from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from rooms import actions as rooms
from rooms import queries as room_queries
from rooms.models import Room
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.units import VolumeUnit
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from tests import world
from tests.world import BUSINESS, HARBOR, LAKE, OTHER, uid

ML = VolumeUnit.MILLILITRE


def build_rooms() -> None:
    """Lake: two ready rooms, one that still needs turnover, two brow kits of which one is ready."""
    system, now = system_actor(BUSINESS), clock.now()
    disinfection.add_product(
        actor=system,
        now=now,
        id=uid("quat"),
        name="quaternary concentrate",
        active="quaternary ammonium compounds",
        registration_number="INVENTED-1-1",
        parts_concentrate=Decimal(1),
        parts_water=Decimal(16),
        contact_seconds=600,
        hospital_type=True,
        family="quat",
        stated_ppm=Decimal(400),
        use_limits=[{"kind": "days", "amount": 14, "citation": "label"}],
    )
    for place, names in ((LAKE, ("room 1", "room 2", "room 3")), (HARBOR, ("pier room",))):
        for name in names:
            rooms.add_room(
                actor=system,
                now=now,
                id=uid(name),
                location_id=place,
                name=name,
                features=["sink", "wax"],
            )
    for name in ("room 1", "room 2", "pier room"):
        make_ready(name)
    for name in ("brow kit 1", "brow kit 2"):
        disinfection.add_kit(
            actor=system, now=now, id=uid(name), location_id=LAKE, name=name, kind="brow"
        )
        for tool, kind in (
            ("tweezers", ImplementClass.IMMERSIBLE),
            ("scissors", ImplementClass.IMMERSIBLE),
        ):
            disinfection.add_implement(
                actor=system, now=now, kit_id=uid(name), tag=f"{name} {tool}", name=tool, kind=kind,
                id=uid(f"{name} {tool}"),
            )  # fmt: skip
    make_kit_ready("brow kit 1")
    foreign = system_actor(OTHER)
    rooms.add_room(
        actor=foreign, now=now, id=uid("far room"), location_id=world.ELSEWHERE, name="far room"
    )


def make_ready(name: str) -> None:
    """Turn a room over properly, step by step, ending now."""
    do_steps(name)
    rooms.finish_turnover(actor=system_actor(BUSINESS), now=clock.now(), room_id=uid(name))


def do_steps(name: str) -> None:
    """Everything that a turnover asks for, within the last twenty minutes; nobody has called the room ready."""
    system, now = system_actor(BUSINESS), clock.now()
    start = now - timedelta(minutes=20)
    rooms.begin_turnover(actor=system, now=start, room_id=uid(name), product_id=uid("quat"))
    with reading(BUSINESS):
        place = tenancy.loaded(Room, uid(name), system).location
        steps = room_queries.plan_for(place, now.date()).steps
    for i, step in enumerate(steps):
        at = (
            start + timedelta(seconds=10 * (i + 1))
            if not step.wet
            else start + timedelta(minutes=15)
        )
        if any(s.wet for s in steps[: i + 1]) and not step.wet:
            at = start + timedelta(minutes=15, seconds=10 * (i + 1))
        rooms.record_step(
            actor=system,
            now=now,
            room_id=uid(name),
            code=step.code,
            at=at,
            wet_from=start + timedelta(minutes=2) if step.wet else None,
        )


def make_kit_ready(name: str) -> None:
    """Bring a kit back properly: wash, rinse, dry, soak ten minutes, rinse, dry, store; ending now."""
    system, now = system_actor(BUSINESS), clock.now()
    start = now - timedelta(minutes=30)
    solution = disinfection.mix_solution(
        actor=system,
        now=start,
        location_id=LAKE,
        product_id=uid("quat"),
        container=f"jar for {name}",
        concentrate=(Decimal(60), ML),
        water=(Decimal(960), ML),
    )
    for minute, kind, said in (
        (1, EventKind.WASHED, {}),
        (2, EventKind.RINSED, {}),
        (3, EventKind.DRIED, {}),
        (4, EventKind.IMMERSED, {"agent_id": solution.id, "fully_open": True}),
        (15, EventKind.LIFTED, {}),
        (16, EventKind.RINSED, {}),
        (17, EventKind.DRIED, {}),
        (18, EventKind.STORED, {"covered": True}),
    ):
        disinfection.record_reprocessing(
            actor=system,
            now=now,
            kit_id=uid(name),
            kind=kind,
            at=start + timedelta(minutes=minute),
            **said,
        )
