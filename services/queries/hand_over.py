"""What one shift hands over to the next: everything that runs, is not ready or is owed. Never writes."""

from datetime import datetime
from typing import Any
from uuid import UUID

from compliance.disinfection.rules.reprocessing import ImplementState
from rooms.models import StockItem
from rooms.queries.check_lists import day_list, list_view
from rooms.queries.equipment import care_states, pots_of
from rooms.rules.check_lists import ListKind
from rooms.rules.turnover import RoomState
from services.models import DueCheck, Incident, IncidentCallBack
from services.queries.room_board import room_board
from services.queries.stock_forecast import due_stock
from services.queries.work_draft import records_owed
from services.rules.incident_record import IncidentState
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location

#: Of each kind; more is no hand-over but a closed house.
MOST = 100


def what_stands(place: Location, now: datetime) -> dict[str, Any]:
    """Rooms that are not ready, running soaks, soiled kits, baths, pots, what is due, shortages and lists.

    As JSON values, a fixed number of statements. Nothing of it is about a client: of incidents only
    how many are open and when the next call-back is due.
    """
    board = room_board(place, now)
    return {
        "at": board["at"],
        "rooms_not_ready": [
            {name: room[name] for name in ("room_id", "name", "state", "since", "ready_at")}
            | {"flags": [flag["kind"] for flag in room["flags"]]}
            for room in board["rooms"]
            if room["state"] != RoomState.READY
        ],
        "soaks": [
            {name: kit[name] for name in ("kit_id", "name", "contact_due_at")}
            for kit in board["kits"]
            if kit["implements"].get(ImplementState.DISINFECTING)
        ][:MOST],
        "soiled_kits": [
            {
                "kit_id": kit["kit_id"],
                "name": kit["name"],
                "soiled": kit["implements"][ImplementState.SOILED],
            }
            for kit in board["kits"]
            if kit["implements"].get(ImplementState.SOILED)
        ][:MOST],
        "solutions": [
            {name: bath[name] for name in ("solution_id", "container", "discard_at", "is_usable")}
            for bath in board["solutions"]
        ][:MOST],
        "equipment": _equipment(place, now),
        "due": _due(place),
        "incidents": _incidents(place),
        "shortages": _shortages(place, now),
        "records_owed": records_owed(place, now),
        "lists": [_list(place, kind, now) for kind in ListKind],
    }


def _equipment(place: Location, now: datetime) -> list[dict[str, Any]]:
    pots = [
        {"name": state.equipment.name, "flaws": [state.why_not.value]}
        for state in pots_of(place, now)
        if state.why_not is not None
    ]
    others = [
        {"name": state.equipment.name, "flaws": [flaw.value for flaw in state.flaws]}
        for state in care_states(place, now)
        if state.flaws
    ]
    return (pots + others)[:MOST]


def _due(place: Location) -> list[dict[str, Any]]:
    rows = DueCheck.objects.filter(location=place, cleared_at=None).order_by("due_at", "id")
    return list(rows.values("kind", "what", "due_at", "level")[:MOST])


#: What of stock keeps somebody from working; dates that only draw near are on the list of what is due.
_SHORT = frozenset({"negative", "withdrawn", "past_date", "expired", "runs_out", "order"})


def _shortages(place: Location, now: datetime) -> list[dict[str, Any]]:
    due = due_stock(place, local_date(now, place.zone))
    found = [one for one in due if one.kind in _SHORT][:MOST]
    ids = {one.item_id for one in found}
    names = dict(StockItem.objects.filter(id__in=ids).values_list("id", "name"))
    return [{"what": names[one.item_id], "kind": one.kind} for one in found]


def _incidents(place: Location) -> dict[str, Any]:
    owed = IncidentCallBack.objects.filter(location=place, settled_at=None).order_by("due_at")
    return {
        "open": len(open_incidents(place)),
        "next_call_back_at": owed.values_list("due_at", flat=True).first(),
    }


def open_incidents(place: Location) -> list[UUID]:
    """The open incidents of a location, oldest first."""
    rows = Incident.objects.filter(location=place, state=IncidentState.OPEN)
    return list(rows.order_by("occurred_at", "id").values_list("id", flat=True))


def _list(place: Location, kind: ListKind, now: datetime) -> dict[str, Any]:
    day = local_date(now, place.zone)
    found = list_view(day_list(place, kind, day, now, with_known=False))
    return {name: found[name] for name in ("kind", "day", "complete", "signed_off_at", "counts")}
