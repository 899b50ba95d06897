"""Where equipment stands and what was logged of it, for whoever stands before it. Never writes."""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.requirements.rules.packs import CAUTION
from rooms.models import EquipmentEntry, EquipmentStrike
from rooms.queries import equipment
from rooms.rules import equipment as rules
from rooms.rules import wax
from rooms.rules.equipment import EquipmentKind, Flaw
from rooms.rules.temperature import TemperatureUnit, from_celsius
from spa_ops.tenancy.models import Location


def states_view(place: Location, now: datetime) -> dict[str, Any]:
    """All equipment of a location: pots with their readings, the rest with its care. A few statements."""
    return {
        "at": now,
        "caution": wax.CAUTION,
        "notice": CAUTION,
        "wax_pots": [pot_view(state) for state in equipment.pots_of(place, now)],
        "others": [_care_view(state) for state in equipment.care_states(place, now)],
    }


def logged(entry_id: UUID | None) -> EquipmentEntry:
    """An entry with its piece and location. One statement."""
    return EquipmentEntry.objects.select_related("equipment__location").get(id=entry_id)


def after_entry(entry: EquipmentEntry, now: datetime) -> dict[str, Any]:
    """An entry with what was wrong with it, and where its piece stands now: in `states_view`'s words.

    A piece that was taken off file stands nowhere. A few statements.
    """
    piece, place = entry.equipment, entry.equipment.location
    stands = None
    if piece.retired_at is None and piece.kind == EquipmentKind.WAX_POT:
        (pot,) = equipment.pot_states([piece], place.zone, now)
        stands = pot_view(pot)
    elif piece.retired_at is None:
        (care,) = equipment.care_states_of([piece], place, now)
        stands = _care_view(care)
    return {
        "at": now,
        "caution": wax.CAUTION if piece.kind == EquipmentKind.WAX_POT else "",
        "notice": CAUTION,
        "entry": {
            "id": entry.id,
            "kind": entry.kind,
            "happened_at": entry.happened_at,
            "flaws": _flaws_view(map(Flaw, entry.flaws)),
        },
        "stands": stands,
    }


def _flaws_view(flaws: Iterable[Flaw]) -> list[dict[str, str]]:
    return [{"flaw": one.value, "what_to_do": rules.WHAT_TO_DO[one]} for one in flaws]


def pot_view(state: equipment.PotState) -> dict[str, Any]:
    """A pot for whoever stands before it, in both scales."""
    filling, reading = state.pot.filling, state.pot.reading
    return {
        "equipment_id": state.equipment.id,
        "room_id": state.equipment.room_id,
        "name": state.equipment.name,
        "method": state.equipment.method,
        "may_be_used": state.why_not is None,
        "reason": state.why_not.value if state.why_not else None,
        "what_to_do": wax.WHAT_TO_DO[state.why_not] if state.why_not else "",
        "filling": filling
        and {
            "entry_id": filling.id,
            "product": filling.product,
            "lot": filling.lot,
            "use_by": filling.use_by,
            "lowest": both_scales(filling.lowest),
            "highest": both_scales(filling.highest),
        },
        "reading": reading
        and {"at": reading.at, "degrees": both_scales(reading.celsius or Decimal(0))},
    }


def both_scales(celsius: Decimal) -> dict[str, str]:
    """A temperature to a tenth of a degree in Celsius and Fahrenheit."""
    tenth = Decimal("0.1")
    return {
        unit.value.lower(): str(from_celsius(celsius, unit).quantize(tenth))
        for unit in TemperatureUnit
    }


def _care_view(state: equipment.CareState) -> dict[str, Any]:
    return {
        "equipment_id": state.equipment.id,
        "room_id": state.equipment.room_id,
        "kind": state.equipment.kind,
        "name": state.equipment.name,
        "in_date_through": state.equipment.in_date_through,
        "due": [
            {
                "event": one.care.event.value,
                "every_days": one.care.every_days,
                "days": list(one.days),
                "stops_use": one.care.stops_use,
                "citation": one.care.citation,
                "strength": one.care.strength,
            }
            for one in state.due
        ],
        "may_be_used": state.why_not is None,
        "reason": state.why_not.value if state.why_not else None,
        "what_to_do": rules.WHAT_TO_DO[state.why_not] if state.why_not else "",
        "flaws": _flaws_view(state.flaws),
    }


def log_of(equipment_id: UUID, limit: int) -> list[dict[str, Any]]:
    """The newest entries of a piece's log, struck ones marked, newest first."""
    rows = EquipmentEntry.objects.filter(equipment_id=equipment_id)
    found = list(rows.order_by("-happened_at", "-recorded_at", "-id")[:limit])
    struck = dict(
        EquipmentStrike.objects.filter(entry__in=[r.id for r in found]).values_list(
            "entry_id", "reason"
        )
    )
    return [
        {
            "id": row.id,
            "kind": row.kind,
            "happened_at": row.happened_at,
            "recorded_at": row.recorded_at,
            "recorded_by": row.recorded_by,
            "degrees": None if row.celsius is None else both_scales(row.celsius),
            "said": row.said,
            "flaws": _flaws_view(map(Flaw, row.flaws)),
            "struck_because": struck.get(row.id),
        }
        for row in found
    ]
