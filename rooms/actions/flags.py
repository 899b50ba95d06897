"""The sweep: ready lapses at closing, what is late is raised, what has settled is cleared."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from rooms import queries
from rooms.actions.changes import lapse
from rooms.models import Flag, Room
from rooms.rules import flags as flag_rules
from rooms.rules.turnover import RoomState
from spa_ops.claims import queries as claimed
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import closing_on
from spa_ops.unit.rows import put_each
from spa_ops.unit.work import action, current


@action
def sweep_rooms(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Let ready lapse at closing, raise what is late, clear what has settled. Returns changes made.

    Run as often as you like: nothing happens twice.
    """
    place = Location.objects.get(id=location_id)
    # Rooms that someone is writing just now are looked at by the next sweep.
    rows = Room.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    rooms = list(rows.filter(location_id=location_id).order_by("id"))
    changed = 0
    for room in rooms:
        room.location = place
        if queries.effective_state(room, now) != room.state:
            lapse(room, now)
            changed += 1
    return changed + settle_flags(place, rooms, now)


def settle_flags(place: Location, rooms: Sequence[Room], now: datetime) -> int:
    """Raise, escalate and clear what the state of these locked rooms asks for, in a few statements."""
    standing: dict[UUID, dict[flag_rules.Flag, Flag]] = {room.id: {} for room in rooms}
    for row in Flag.objects.filter(room__in=standing, cleared_at=None):
        kind = flag_rules.FlagKind(row.kind)
        flag = flag_rules.Flag(kind=kind, about=row.about, due_at=row.due_at)
        standing[row.room_id][flag] = row
    house = tenancy.policy_of(place)
    policy = flag_rules.FlagPolicy(
        begin_within_minutes=house.turnover_begins_within_minutes,
        ready_before_set_up_minutes=house.ready_before_set_up_minutes,
        escalate_after_minutes=(house.escalate_after_minutes, house.escalate_again_after_minutes),
    )
    times = _times(place, rooms, now)
    to_raise: list[Flag] = []
    to_clear: list[Flag] = []
    louder: list[Flag] = []
    for room in rooms:
        found = flag_rules.flag_changes(times[room.id], policy, standing[room.id], now=now)
        for flag in found.to_raise:
            level = flag_rules.flag_level(flag, policy, now=now)
            to_raise.append(_flag(room, flag, level, now))
        to_clear += [standing[room.id][flag] for flag in found.to_clear]
        for flag, row in standing[room.id].items():
            level = flag_rules.flag_level(flag, policy, now=now)
            if flag not in found.to_clear and level > row.level:
                row.level, row.escalated_at = level, now
                louder.append(row)
    _raise(to_raise)
    put_each(louder, fields=["level", "escalated_at"])
    for row in louder:
        _evidence("room.flag_escalated", row, due_at=row.due_at, level=row.level)
    for row in to_clear:
        row.cleared_at = now
    put_each(to_clear, fields=["cleared_at"])
    for row in to_clear:
        _evidence("room.flag_cleared", row)
    return len(to_raise) + len(louder) + len(to_clear)


def _flag(room: Room, flag: flag_rules.Flag, level: int, now: datetime) -> Flag:
    return Flag(
        business_id=room.business_id,
        location_id=room.location_id,
        room=room,
        kind=flag.kind.value,
        about=flag.about,
        due_at=flag.due_at,
        raised_at=now,
        level=level,
    )


def _raise(rows: Sequence[Flag]) -> None:
    # What was raised and has cleared is not raised again: once for one leaving, set-up or closing.
    known = set(
        Flag.objects.filter(
            room__in={row.room_id for row in rows}, about__in={row.about for row in rows}
        ).values_list("room_id", "kind", "about")
    )
    new = [row for row in rows if (row.room_id, row.kind, row.about) not in known]
    put_each(new)
    for row in new:
        _evidence("room.flag_raised", row, due_at=row.due_at)


def _evidence(kind: str, row: Flag, **facts: Any) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.room_id,
        facts={
            "room_id": row.room_id,
            "flag_id": row.id,
            "kind": row.kind,
            "about": row.about,
            **facts,
        },
    )


def _times(
    place: Location, rooms: Sequence[Room], now: datetime
) -> dict[UUID, flag_rules.RoomTimes]:
    closing_at = closing_on(place.opening_hours, place.zone, local_date(now, place.zone))
    left = queries.left_at_of([room.id for room in rooms])
    set_ups = claimed.next_set_up({room.id: room.state_since for room in rooms})
    return {
        room.id: flag_rules.RoomTimes(
            state=queries.effective_state(room, now),
            left_at=left.get(room.id) if room.state == RoomState.NEEDS_TURNOVER else None,
            next_set_up_at=set_ups.get(room.id),
            closing_at=closing_at,
            lapsed_at=room.ready_until if room.state == RoomState.NEEDS_TURNOVER else None,
        )
        for room in rooms
    }
