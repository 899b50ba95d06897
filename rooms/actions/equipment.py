"""Equipment: added, changed, retired, and everything that is logged of it."""

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from rooms.models import Equipment, EquipmentEntry, EquipmentStrike, OpenContainer, Room
from rooms.queries import equipment as queries
from rooms.rules import wax
from rooms.rules.equipment import LOGGED, EquipmentKind, Flaw, LogKind
from rooms.rules.linen import Chemistry, Laundering, Wash, ways_met
from rooms.rules.temperature import TemperatureUnit, is_plausible, to_celsius
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import AlreadyCorrected, NotAllowed, NotFound, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

_KEPT = Decimal("0.001")


@action
def add_equipment(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kind: EquipmentKind,
    name: str,
    room_id: UUID | None = None,
    method: str = "",
    in_date_through: date | None = None,
    id: UUID | None = None,
) -> Equipment:
    """Put a piece of equipment on file. A wax pot stands in a room and is for soft or hard wax.

    Raises `NotFound`; `InvalidInput` for a pot without either, or a method of anything else.
    """
    place = tenancy.location(location_id, actor)
    is_pot = kind is EquipmentKind.WAX_POT
    if is_pot and room_id is None:
        raise invalid("/room_id", "a wax pot stands in a room", "required")
    if is_pot != bool(method):
        raise invalid("/method", "is named for a wax pot, and for nothing else")
    if room_id is not None:
        _check_room(room_id, place, actor)
    row = Equipment(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        room_id=room_id,
        kind=kind.value,
        name=name,
        method=method,
        in_date_through=in_date_through,
        added_at=now,
    )
    put(row)
    _evidence("equipment.added", row, {"kind": row.kind, "room_id": room_id})
    return row


def _check_room(room_id: UUID, place: Location, actor: Actor) -> None:
    if tenancy.loaded(Room, room_id, actor).location_id != place.id:
        raise invalid("/room_id", "is not a room of this location")


def _evidence(
    kind: str, row: Equipment, facts: Mapping[str, Any], at: datetime | None = None
) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.id,
        occurred_at=at,
        facts={"equipment_id": row.id, **facts},
    )


@action
def change_equipment(
    *, actor: Actor, now: datetime, equipment_id: UUID, match: int | None = None, **changes: Any
) -> Equipment:
    """Another name, another room, another date. Raises `NotFound`, `StaleVersion`, `InvalidInput`."""
    row = tenancy.locked(Equipment, equipment_id, actor, match=match)
    _needs_use(row)
    if "room_id" in changes:
        if changes["room_id"] is not None:
            _check_room(changes["room_id"], row.location, actor)
        elif row.kind == EquipmentKind.WAX_POT:
            raise invalid("/room_id", "a wax pot stands in a room", "required")
    for name, value in changes.items():
        setattr(row, name, value)
    put(row, fields=list(changes))
    _evidence(
        "equipment.changed",
        row,
        {"room_id": row.room_id, "in_date_through": row.in_date_through},
    )
    return row


@action
def retire_equipment(*, actor: Actor, now: datetime, equipment_id: UUID) -> Equipment:
    """Take a piece off file: nothing is due of it any more, and its log stays."""
    row = tenancy.locked(Equipment, equipment_id, actor)
    _needs_use(row)
    row.retired_at = now
    put(row, fields=["retired_at"])
    _evidence("equipment.retired", row, {})
    return row


def _needs_use(row: Equipment) -> None:
    if row.retired_at is not None:
        raise WrongState(thing="equipment", state="retired", needed="one that is on file")


#: By these a pot may be worked from.
_CLEARS_WAX = frozenset({LogKind.FILLED, LogKind.MEASURED})


@action
def log_equipment(
    *,
    actor: Actor,
    now: datetime,
    equipment_id: UUID,
    kind: LogKind,
    at: datetime | None = None,
    id: UUID | None = None,
    container_id: UUID | None = None,
    **said: Any,
) -> EquipmentEntry:
    """The entry of what was done to a piece or read off it, `at` (now unless said), by the acting person.

    A reading beside the product's range, a filling on top of another, a wash that is none of those
    published there: recorded with a flaw. `said` is as the API's shape has it. Locks the piece.
    Raises `NotFound`; `WrongState` for a retired piece; `InvalidInput` for what this kind does not
    have, what an entry lacks, and times that lie ahead or before it was put on file. A pot that is
    filled from an open container of stock has product, lot and dates from there. What a pot was filled
    with and how hot it is decides whether wax may touch skin: `NotAllowed` to the front desk.
    """
    row = tenancy.locked(Equipment, equipment_id, actor)
    _needs_use(row)
    if kind not in LOGGED[EquipmentKind(row.kind)]:
        raise invalid("/kind", f"is nothing that a {row.kind} has", "unknown")
    if kind in _CLEARS_WAX and actor.role is Role.FRONT_DESK:
        raise NotAllowed(needed="practitioner, lead, owner")
    happened_at = at or now
    if happened_at > now:
        raise invalid("/at", "lies ahead")
    if happened_at < row.added_at:
        raise invalid("/at", "is before it was put on file")
    said = {name: value for name, value in said.items() if value not in (None, "", [])}
    if container_id is not None:
        said |= _from_stock(container_id, kind, said, row, actor)
    celsius, kept = _kept(kind, said)
    entry = EquipmentEntry(
        id=id or uuid7(),
        business_id=row.business_id,
        equipment=row,
        kind=kind.value,
        happened_at=happened_at,
        recorded_at=now,
        recorded_by=actor.person_id,
        container_id=container_id,
        celsius=celsius,
        said=kept,
    )
    entry.flaws = [one.value for one in _flaws(row, entry, said)]
    entry.save(force_insert=True)
    changed = _in_date(row, kind, said.get("in_date_through"))
    put(row, fields=changed)
    _evidence(
        "equipment.logged",
        row,
        {
            "entry_id": entry.id,
            "kind": row.kind,
            "event": kind.value,
            "celsius": None if celsius is None else str(celsius),
            "container_id": container_id,
            "minutes": kept.get("minutes"),
            "product": kept.get("product"),
            "lot": kept.get("lot"),
            "flaws": entry.flaws or None,
        },
        at=happened_at,
    )
    return entry


def _from_stock(
    container_id: UUID, kind: LogKind, said: Mapping[str, Any], row: Equipment, actor: Actor
) -> dict[str, Any]:
    if kind is not LogKind.FILLED:
        raise invalid("/container_id", f"says nothing about {kind}", "unknown")
    for name in ("product", "lot", "opened_on", "use_by"):
        if name in said:
            raise invalid(f"/{name}", "is what the container says", "unknown")
    container = tenancy.loaded(OpenContainer, container_id, actor)
    if container.location_id != row.location_id:
        raise invalid("/container_id", "is not of this location")
    if container.closed_at is not None:
        raise WrongState(thing="container", state="closed", needed="one that is open")
    zone = row.location.zone
    found = {
        "product": container.item.name,
        "lot": container.lot.number if container.lot else "",
        "opened_on": local_date(container.opened_at, zone),
        "use_by": container.discard_by,
    }
    return {name: value for name, value in found.items() if value not in (None, "")}


def _in_date(row: Equipment, kind: LogKind, through: date | None) -> list[str]:
    if kind not in {LogKind.REPLACED, LogKind.CHECKED} or through is None:
        return []
    row.in_date_through = through
    return ["in_date_through"]


#: What an entry needs, and what it may have besides.
_NEEDS: Mapping[LogKind, tuple[str, ...]] = {
    LogKind.MEASURED: ("degrees", "unit"),
    LogKind.FILLED: ("lowest", "highest", "unit"),
}
_MAY: Mapping[LogKind, tuple[str, ...]] = {
    LogKind.FILLED: ("product", "lot", "opened_on", "use_by"),
    LogKind.WASHED: ("degrees", "unit", "minutes", "used", "load"),
    LogKind.REPLACED: ("in_date_through",),
    LogKind.CHECKED: ("in_date_through",),
}


def _kept(kind: LogKind, said: Mapping[str, Any]) -> tuple[Decimal | None, dict[str, Any]]:
    """Degrees Celsius and what is kept as it was said."""
    needed = _NEEDS.get(kind, ())
    if kind is LogKind.FILLED and "product" not in said:
        raise invalid("/product", "is needed for filled, or the container of stock", "required")
    for name in needed:
        if name not in said:
            raise invalid(f"/{name}", f"is needed for {kind}", "required")
    for name in said:
        if name not in (*needed, *_MAY.get(kind, ())):
            raise invalid(f"/{name}", f"says nothing about {kind}", "unknown")
    if kind is LogKind.WASHED and not {"degrees", "used"} & said.keys():
        raise invalid("/degrees", "say how hot, or what was used", "required")
    if "degrees" in said and "unit" not in said:
        raise invalid("/unit", "is needed with degrees", "required")
    kept = {name: _plain(value) for name, value in said.items()}
    if kind is LogKind.FILLED:
        low, high = (_celsius(said[name], said["unit"], name) for name in ("lowest", "highest"))
        if low > high:
            raise invalid("/lowest", "must not be above the highest")
        kept |= {"lowest_celsius": str(low), "highest_celsius": str(high)}
        return None, kept
    celsius = _celsius(said["degrees"], said["unit"], "degrees") if "degrees" in said else None
    return celsius, kept


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return sorted(set(value))
    return value if isinstance(value, int | str) else str(value)


def _celsius(degrees: Decimal, unit: str, name: str) -> Decimal:
    found = to_celsius(degrees, TemperatureUnit(unit))
    if not is_plausible(found):
        raise invalid(f"/{name}", "is no temperature of a room's thermometer: check the unit")
    return found.quantize(_KEPT)


def _flaws(row: Equipment, entry: EquipmentEntry, said: Mapping[str, Any]) -> tuple[Flaw, ...]:
    if row.kind == EquipmentKind.WAX_POT:
        since = entry.happened_at - queries.LOOK_BACK
        before = queries.standing_entries([row.id], since, entry.happened_at)[row.id]
        return wax.flaws_of(queries.pot_of(before), queries.pot_entry(entry))
    if entry.kind == LogKind.WASHED:
        return _wash_flaws(row.location, entry, said)
    return ()


def _wash_flaws(
    place: Location, entry: EquipmentEntry, said: Mapping[str, Any]
) -> tuple[Flaw, ...]:
    parameter, ways = queries.wash_ways(place, local_date(entry.happened_at, place.zone))
    wash = Wash(
        degrees=said.get("degrees"),
        unit=TemperatureUnit(said.get("unit") or TemperatureUnit.CELSIUS),
        minutes=said.get("minutes"),
        used=frozenset(Laundering(word) for word in said.get("used") or ()),
    )
    met = ways_met(wash, ways)
    entry.said |= {
        "judged_by": parameter.pack,
        "met": [
            way.citation + (" (chemistry)" if isinstance(way, Chemistry) else "") for way in met
        ],
    }
    return () if met else (Flaw.NO_PUBLISHED_WASH,)


@action
def strike_equipment_entry(
    *, actor: Actor, now: datetime, entry_id: UUID, reason: str
) -> EquipmentEntry:
    """A mis-tap: this entry was wrong. It stays on record, struck out, and counts for nothing.

    Raises `NotFound`, `AlreadyCorrected`.
    """
    entry = EquipmentEntry.objects.filter(id=entry_id).first()
    if entry is None:
        raise NotFound
    row = tenancy.locked(Equipment, entry.equipment_id, actor)
    if EquipmentStrike.objects.filter(entry=entry).exists():
        raise AlreadyCorrected
    EquipmentStrike(
        business_id=actor.business_id,
        entry=entry,
        struck_at=now,
        person_id=actor.person_id,
        reason=reason,
    ).save(force_insert=True)
    put(row, fields=[])
    _evidence("equipment.entry_struck", row, {"entry_id": entry.id, "event": entry.kind})
    return entry
