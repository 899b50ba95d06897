"""The rooms of a location at one glance: what runs, what comes, when each is ready. Reads only."""

from collections import defaultdict
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import connection

from compliance.disinfection.models import Implement, Kit, Solution
from compliance.disinfection.rules.reprocessing import ImplementState
from rooms.models import Flag, Room, Turnover
from rooms.queries import effective_state, left_of, plan_for, reports_of
from rooms.rules.forecast import LATEST, Pace, pace_after, ready_at
from rooms.rules.turnover import RoomState
from services.models import Line, LineState
from services.queries.turnover_time import shortest_wet_seconds
from services.queries.visits import OPEN
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy.models import Location

#: States that a turnover leads out of.
_TO_TURN_OVER = frozenset({RoomState.NEEDS_TURNOVER, RoomState.TURNING_OVER})
_PAST = """
SELECT room_id, array_agg(seconds), array_agg(wet_seconds) FROM (
    SELECT t.room_id, extract(epoch FROM t.finished_at - t.begun_at)::int AS seconds, t.wet_seconds,
           row_number() OVER (PARTITION BY t.room_id ORDER BY t.finished_at DESC) AS n
    FROM rooms_turnover t WHERE t.room_id = ANY(%s) AND t.finished_at IS NOT NULL AND t.begun_at IS NOT NULL
) latest WHERE n <= %s GROUP BY room_id
"""
# A visit's first claim of a room that is not over: who did not come hides nobody who will.
_NEXT = """
SELECT DISTINCT ON (c.bookable_id) c.bookable_id, lower(c.span), v.id, v.state, v.starts_at, l.practitioner_id
FROM claims_claim c
JOIN services_visit v ON v.business_id = c.business_id AND v.id = c.visit_id
JOIN services_line l ON l.business_id = c.business_id AND l.id = c.line_id
WHERE c.bookable_id = ANY(%s) AND c.phase IN ('set_up', 'service') AND c.hold_expires_at IS NULL
AND v.state IN ('booked', 'arrived') AND upper(c.span) > %s ORDER BY c.bookable_id, lower(c.span)
"""


def room_board(place: Location, now: datetime) -> dict[str, Any]:
    """Each room with its state and clocks, then the location's solutions and kits. A fixed number of statements."""
    rooms = list(Room.objects.filter(location=place).order_by("name"))
    ids = [room.id for room in rooms]
    turnovers = {t.room_id: t for t in Turnover.objects.filter(room__in=ids, finished_at=None)}
    past, coming, shortest_wet = _past(ids), _next(ids, now), shortest_wet_seconds()
    reports = reports_of([each for each in turnovers.values() if each.begun_at])
    running = _running([r.visit_id for r in rooms if r.visit_id], now)
    flags: dict[UUID, list[dict[str, Any]]] = defaultdict(list)
    for flag in Flag.objects.filter(location=place, cleared_at=None).order_by("due_at", "id"):
        flags[flag.room_id].append({"kind": flag.kind, "due_at": flag.due_at})
    today = local_date(now, place.zone)
    found = []
    for room in rooms:
        turnover = turnovers.get(room.id)
        plan = plan_for(place, today, room.features)
        # Until somebody says with what: the shortest wet time on file, as in a plan.
        wet = turnover.wet_seconds if turnover and turnover.begun_at else None
        pace = pace_after(past.get(room.id, ()), plan, wet or shortest_wet)
        ready = ready_at(
            pace,
            plan=plan,
            wet_seconds=wet or shortest_wet,
            begun_at=turnover.begun_at if turnover else None,
            left=left_of(turnover, plan, reports[turnover.id]) if turnover else None,
            now=now,
        )
        found.append(
            _room(room, now, ready, pace)
            | {
                "runs": running.get(room.visit_id)
                if room.visit_id and room.state == RoomState.IN_SERVICE
                else None,
                "next": coming.get(room.id),
                "flags": flags[room.id],
            }
        )
    for room in found:
        room["late_seconds"] = _late(room)
    return {
        "at": now,
        "rooms": found,
        "solutions": _solutions(place, now),
        "kits": _kits(place),
    }


def _room(room: Room, now: datetime, ready: datetime, pace: Pace) -> dict[str, Any]:
    state = effective_state(room, now)
    return {
        "room_id": room.id,
        "name": room.name,
        "state": state.value,
        "since": room.ready_until if state != room.state else room.state_since,
        "ready_at": ready if state in _TO_TURN_OVER else None,
        "expected_seconds": pace.expected_seconds,
        "shortest_seconds": pace.shortest_seconds,
        "turnovers_counted": pace.counted,
        "turnovers_too_fast": pace.too_fast,
    }


def _late(room: dict[str, Any]) -> int:
    """By how many seconds the room will be ready after its next set-up should begin."""
    if room["ready_at"] is None or room["next"] is None:
        return 0
    return max(0, int((room["ready_at"] - room["next"]["set_up_at"]).total_seconds()))


def _past(ids: list[UUID]) -> dict[UUID, list[tuple[int, int | None]]]:
    """Of each room's latest turnovers the seconds and the wet time of the product."""
    with connection.cursor() as cursor:
        cursor.execute(_PAST, [ids, LATEST])
        return {room: list(zip(took, wet, strict=True)) for room, took, wet in cursor.fetchall()}


def _next(ids: list[UUID], now: datetime) -> dict[UUID, dict[str, Any]]:
    names = ("set_up_at", "visit_id", "state", "starts_at", "practitioner_id")
    with connection.cursor() as cursor:
        cursor.execute(_NEXT, [ids, now])
        return {room: dict(zip(names, rest, strict=True)) for room, *rest in cursor.fetchall()}


def _running(visit_ids: list[UUID], now: datetime) -> dict[UUID | None, dict[str, Any]]:
    """What is going on of each visit: its first line that is not over, else its last."""
    by_visit: dict[UUID, list[Line]] = defaultdict(list)
    rows = Line.objects.filter(visit_id__in=visit_ids).exclude(state=LineState.DROPPED)
    for line in rows.select_related("service").order_by("starts_at", "position"):
        by_visit[line.visit_id].append(line)
    found: dict[UUID | None, dict[str, Any]] = {}
    for visit_id, lines in by_visit.items():
        current = next((line for line in lines if line.state in OPEN), lines[-1])
        ends_at = max(line.ends_at for line in lines)
        found[visit_id] = {
            "visit_id": visit_id,
            "line_id": current.id,
            "service": current.service.name,
            "practitioner_id": current.practitioner_id,
            "line_state": current.state,
            "ends_at": ends_at,
            "over_seconds": max(0, int((now - ends_at).total_seconds())),
        }
    return found


def _solutions(place: Location, now: datetime) -> list[dict[str, Any]]:
    rows = Solution.objects.filter(location=place, ended_at=None).select_related("product")
    return [
        {
            "solution_id": row.id,
            "container": row.container,
            "product": row.product.name,
            "mixed_at": row.mixed_at,
            "discard_at": row.discard_at,
            "seconds_left": max(0, int((row.discard_at - now).total_seconds())),
            "is_usable": row.pour == "ok" and row.voided_at is None and now < row.discard_at,
            "uses": row.uses,
            "uses_allowed": row.uses_allowed,
        }
        for row in rows.order_by("discard_at", "id")
    ]


def _kits(place: Location) -> list[dict[str, Any]]:
    states: dict[UUID, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    due: dict[UUID, datetime] = {}
    for row in Implement.objects.filter(location=place, written_off_at=None):
        states[row.kit_id][row.state] += 1
        if row.state == ImplementState.DISINFECTING and row.due_at is not None:
            due[row.kit_id] = max(due.get(row.kit_id, row.due_at), row.due_at)
    return [
        {
            "kit_id": kit.id,
            "name": kit.name,
            "kind": kit.kind,
            "implements": dict(states[kit.id]),
            "contact_due_at": due.get(kit.id),
        }
        for kit in Kit.objects.filter(location=place).order_by("name")
    ]
