"""What the invented business did before it is first looked at: a day of its lists, pots and hand-over, a steriliser.

Nothing here exists. Everything goes through the actions, by name of invented people and at its own
time, so that the parts of the program that live by their past have one. Temperatures, programmes
and times are of the usual size: common practice, no source; a product's label decides.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import partial
from typing import Any
from uuid import UUID

from compliance.disinfection import actions as disinfection
from compliance.disinfection.queries import implements_in, sterilising
from compliance.disinfection.rules.reprocessing import EventKind
from compliance.disinfection.rules.sterilising import (
    Cycle,
    IntegratorResult,
    SporeResult,
    SteriliserMethod,
)
from compliance.disinfection.rules.use_window import EndReason
from rooms import actions as rooms
from rooms.actions import check_lists, equipment
from rooms.queries import check_lists as lists
from rooms.queries import equipment as kept
from rooms.queries import plan_for
from rooms.rules.check_lists import Asks, ListKind
from rooms.rules.equipment import EquipmentKind, LogKind
from services.actions import hand_over
from services.imports.demo_business import LAKESIDE
from services.models import Visit, VisitState
from spa_ops.kernel.actor import Actor, Auth, Role
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import at_local
from spa_ops.kernel.units import VolumeUnit
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading, run

#: The business is this much older than the demo; a spore test of its second day is due by now.
OPEN_FOR = timedelta(days=16)
TESTED_BEFORE = timedelta(days=14, hours=1)
#: Left blank on the closing list, as it happens.
BLANK = "waste_out"
KIT, STEAM = "Extraction kit 1", "Steam steriliser"
#: Room, wax, and the range that its invented label states, in degrees Celsius.
POTS = (
    ("Fern Room", "hard_wax", "55", "60"),
    ("Fern Room", "soft_wax", "50", "56"),
    ("Heron Room", "soft_wax", "50", "56"),
)
_PIECES = (
    ("towel_warmer", "Towel warmer", None),
    ("sharps_box", "Sharps box", None),
    ("washing_machine", "Washing machine", None),
    ("first_aid_kit", "First-aid kit", 400),
    ("eye_wash", "Eye wash", 200),
    ("blood_spill_kit", "Blood-spill kit", 400),
)
_STEAM = Cycle(celsius=Decimal(121), minutes=Decimal(30), kilopascals=Decimal(104))

Do = Callable[..., Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Yesterday:
    """The local day before the demo is first looked at, and who was there."""

    ids: Callable[[str], UUID]
    business_id: UUID
    place: Location
    day: date

    def at(self, wall: str) -> datetime:
        return at_local(self.day, time.fromisoformat(wall), self.place.zone)

    def actor(self, name: str, role: Role) -> Actor:
        return Actor(
            business_id=self.business_id,
            role=role,
            auth=Auth.TOKEN,
            person_id=self.ids(name),
            location_id=self.place.id,
        )

    @property
    def lead(self) -> Actor:
        return self.actor("Rosalba Kestimund", Role.LEAD)

    def do(self, moment: datetime, *deeds: Do, by: Actor | None = None) -> None:
        """Each of these by one person at one moment, in one transaction."""
        who = by or self.lead
        run(lambda: [deed(actor=who, now=moment) for deed in deeds], actor=who, now=moment)

    def named(self, text: str) -> UUID:
        return self.ids(f"{self.place.name}/{text}")

    def log(self, name: str, kind: str, **said: Any) -> Do:
        return partial(
            equipment.log_equipment, equipment_id=self.named(name), kind=LogKind(kind), **said
        )


def live_a_day(business_id: UUID, ids: Callable[[str], UUID], now: datetime) -> None:
    """The first location's upkeep, once: after a load that was stopped in it, what there is stays.

    It comes before the imports, so that nothing in the log is recorded later than it was done.
    """
    one = _yesterday(business_id, ids, now)
    with reading(business_id):
        if kept.on_file(one.place.id):
            return
    _steriliser(one, now)
    _pieces(one)
    _opening(one)
    _hand_over(one)
    _closing(one)
    _pots_today(one, now)


def use_a_kit(business_id: UUID, ids: Callable[[str], UUID], now: datetime) -> None:
    """A kit goes through the steriliser, is opened for an imported visit, counted back and goes through again."""
    one = _yesterday(business_id, ids, now)
    steam, kit = one.named(STEAM), one.named(KIT)
    with reading(business_id):
        visit = _last_visit(one, now)
        if visit is None or sterilising.next_number(steam) > 1:
            return
    left_at = visit.left_at or visit.starts_at
    _load(one, steam, kit, visit.starts_at - timedelta(hours=20), 1)
    one.do(visit.starts_at, partial(disinfection.open_kit, kit_id=kit, visit_id=visit.id))
    back = partial(disinfection.count_kit_back, kit_id=kit, visit_id=visit.id, missing_ids=[])
    one.do(left_at, back)
    _load(one, steam, kit, left_at + timedelta(hours=1), 2)


def _yesterday(business_id: UUID, ids: Callable[[str], UUID], now: datetime) -> Yesterday:
    with reading(business_id):
        place = Location.objects.get(id=ids(LAKESIDE.name))
    day = local_date(now, place.zone) - timedelta(days=1)
    return Yesterday(ids=ids, business_id=business_id, place=place, day=day)


def _pot(room: str, method: str) -> str:
    return f"{room}, {method.replace('_', ' ')}"


def _pieces(one: Yesterday) -> None:
    add = partial(equipment.add_equipment, location_id=one.place.id)
    pots = [
        partial(
            add,
            id=one.named(_pot(room, method)),
            kind=EquipmentKind.WAX_POT,
            name=_pot(room, method),
            room_id=one.named(room),
            method=method,
        )
        for room, method, _, _ in POTS
    ]
    others = [
        partial(
            add,
            id=one.named(name),
            kind=EquipmentKind(kind),
            name=name,
            in_date_through=one.day + timedelta(days=days) if days else None,
        )
        for kind, name, days in _PIECES
    ]
    one.do(one.at("07:30"), *pots, *others)


def _opening(one: Yesterday) -> None:
    fill, read = [], []
    for room, method, lowest, highest in POTS:
        words = method.replace("_", " ")
        fill.append(
            one.log(
                _pot(room, method), "filled", product=f"Invented {words}", lot="INV-1",
                lowest=Decimal(lowest), highest=Decimal(highest), unit="C",
            )
        )  # fmt: skip
        read.append(_read(one, room, method, highest))
    one.do(one.at("08:00"), *fill)
    jar = one.named("jar of the day before")
    mix = partial(
        disinfection.mix_solution,
        id=jar,
        location_id=one.place.id,
        product_id=one.ids("disinfectant"),
        container="Jar 1",
        concentrate=(Decimal(60), VolumeUnit.MILLILITRE),
        water=(Decimal(960), VolumeUnit.MILLILITRE),
    )
    strip = partial(disinfection.read_strip, solution_id=jar, reading_ppm=Decimal(400))
    one.do(one.at("08:30"), *read, mix, strip)
    _go_through(one, ListKind.OPENING, one.at("08:45"))


def _read(one: Yesterday, room: str, method: str, degrees: str) -> Do:
    return one.log(_pot(room, method), "measured", degrees=Decimal(degrees), unit="C")


def _go_through(one: Yesterday, kind: ListKind, moment: datetime, *, blank: str = "") -> None:
    with reading(one.business_id):
        rows = lists.day_list(one.place, kind, one.day, moment, with_known=False).rows
    about = {"location_id": one.place.id, "kind": kind, "day": one.day}
    ticks = [
        partial(
            check_lists.tick_list,
            item=row.key,
            done=True,
            number=None if row.item.asks is Asks.NOTHING else Decimal(1),
            **about,
        )
        for row in rows
        if row.key != blank
    ]
    one.do(moment, *ticks, partial(check_lists.sign_off_list, **about))


def _hand_over(one: Yesterday) -> None:
    given = one.named("hand-over")
    give = partial(
        hand_over.give_hand_over, id=given, location_id=one.place.id, shortages=["calming gel"]
    )
    one.do(one.at("15:00"), give, by=one.actor("Bramwell Ostrevane", Role.PRACTITIONER))
    accept = partial(hand_over.accept_hand_over, hand_over_id=given)
    one.do(one.at("15:10"), accept, by=one.actor("Leocadia Marrowisp", Role.PRACTITIONER))


def _closing(one: Yesterday) -> None:
    wash = one.log("Washing machine", "washed", used=["bleach", "hot_water"], load="towels")
    off = [one.log(_pot(room, method), "switched_off") for room, method, _, _ in POTS]
    care = [one.log("Towel warmer", kind) for kind in ("disinfected", "left_open")]
    jar = partial(
        disinfection.end_solution,
        solution_id=one.named("jar of the day before"),
        reason=EndReason.EMPTIED,
    )
    one.do(one.at("22:30"), wash, *off, *care, jar)
    for room in LAKESIDE.rooms:
        _turn_over(one, one.named(room.name), one.at("22:40"))
    _go_through(one, ListKind.CLOSING, one.at("23:20"), blank=BLANK)


def _turn_over(one: Yesterday, room_id: UUID, begun: datetime) -> None:
    """Each step at its own time, the wet one after the label's ten minutes."""
    begin = partial(rooms.begin_turnover, room_id=room_id, product_id=one.ids("disinfectant"))
    with reading(one.business_id):
        features = next(r for r in LAKESIDE.rooms if one.named(r.name) == room_id).features
        steps = plan_for(one.place, one.day, features).steps
    moment, deeds = begun, []
    for step in steps:
        wet_from = moment if step.wet else None
        moment += timedelta(minutes=11) if step.wet else timedelta(seconds=30)
        deeds.append(
            partial(
                rooms.record_step, room_id=room_id, code=step.code, at=moment, wet_from=wet_from
            )
        )
    one.do(begun, begin)
    one.do(moment, *deeds, partial(rooms.finish_turnover, room_id=room_id))


def _pots_today(one: Yesterday, now: datetime) -> None:
    """Of today one reading is in range and one is not; the third pot was not read yet."""
    (room, method, _, highest), (hot_room, hot_method, _, too_hot) = POTS[:2]
    far = str(int(too_hot) + 12)
    one.do(now, _read(one, room, method, highest), _read(one, hot_room, hot_method, far))


def _steriliser(one: Yesterday, now: datetime) -> None:
    """A steriliser that was tested when it was new, and is due for its next spore test by now."""
    steam = one.named(STEAM)
    began = now - OPEN_FOR + timedelta(days=1)
    add = partial(
        disinfection.add_steriliser,
        id=steam,
        location_id=one.place.id,
        name=STEAM,
        method=SteriliserMethod.STEAM,
        serial_number="INVENTED-S-1",
        pouch_days=180,
        programmes=[
            {"name": "wrapped", "celsius": _STEAM.celsius, "minutes": _STEAM.minutes, "kilopascals": _STEAM.kilopascals}
        ],
    )  # fmt: skip
    one.do(began, add)
    test = one.named("spore test")
    take = partial(
        disinfection.take_spore_test,
        id=test,
        steriliser_id=steam,
        lot="INV-SPORE-1",
        laboratory="Invented laboratory",
    )
    one.do(now - TESTED_BEFORE, take)
    good = partial(disinfection.read_spore_test, test_id=test, result=SporeResult.GOOD)
    one.do(now - TESTED_BEFORE + timedelta(days=2), good)


def _last_visit(one: Yesterday, now: datetime) -> Visit | None:
    """The last imported visit that is over for long enough to have everything washed since."""
    rows = Visit.objects.filter(
        location=one.place, state=VisitState.LEFT, starts_at__lt=now - timedelta(hours=8)
    )
    return rows.order_by("-starts_at", "id").first()


def _load(one: Yesterday, steam: UUID, kit: UUID, begun: datetime, number: int) -> None:
    moment = begun
    for kind in (EventKind.WASHED, EventKind.RINSED, EventKind.DRIED, EventKind.PACKED):
        one.do(moment, partial(disinfection.record_reprocessing, kit_id=kit, kind=kind))
        moment += timedelta(minutes=2)
    load = one.named(f"load {number}")
    start = partial(
        disinfection.start_load,
        id=load,
        steriliser_id=steam,
        programme="wrapped",
        pouches=[{"pouch": f"INV-P{number}", "implement_ids": _pieces_of(one, kit)}],
    )
    finish = partial(disinfection.finish_load, load_id=load, reached=_STEAM)
    read = partial(
        disinfection.read_integrator,
        load_id=load,
        result=IntegratorResult.PASSED,
        integrator_class=5,
        lot="INV-INT-1",
    )
    one.do(moment, start)
    one.do(moment + timedelta(minutes=50), finish)
    one.do(moment + timedelta(minutes=55), read)


def _pieces_of(one: Yesterday, kit: UUID) -> Sequence[UUID]:
    with reading(one.business_id):
        return [row.id for row in implements_in(kit)]
