"""The sweep: ready lapses at closing, what is late is raised, what has settled is cleared."""

from datetime import datetime
from uuid import UUID

from rooms import queries
from rooms.actions.changes import evidence, lapse
from rooms.models import Flag, Room
from rooms.rules import flags as flag_rules
from rooms.rules.turnover import RoomState
from spa_ops.claims import queries as claimed
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import closing_on
from spa_ops.unit.rows import put
from spa_ops.unit.work import action


@action
def sweep_rooms(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Let ready lapse at closing, raise what is late, clear what has settled. Returns changes made.

    Run as often as you like: nothing happens twice.
    """
    place = Location.objects.get(id=location_id)
    # Rooms that someone is writing just now are looked at by the next sweep.
    rows = Room.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    changed = 0
    for room in rows.filter(location_id=location_id).order_by("id"):
        room.location = place
        if queries.effective_state(room, now) != room.state:
            lapse(room, now)
            changed += 1
        changed += settle_flags(room, now)
    return changed


def settle_flags(room: Room, now: datetime) -> int:
    standing = {
        flag_rules.Flag(kind=flag_rules.FlagKind(f.kind), about=f.about, due_at=f.due_at): f
        for f in Flag.objects.filter(room=room, cleared_at=None)
    }
    house = tenancy.policy_of(room.location)
    policy = flag_rules.FlagPolicy(
        begin_within_minutes=house.turnover_begins_within_minutes,
        ready_before_set_up_minutes=house.ready_before_set_up_minutes,
    )
    found = flag_rules.flag_changes(_times(room, now), policy, standing, now=now)
    for flag in found.to_raise:
        _raise(room, flag, now)
    for flag in found.to_clear:
        row = standing[flag]
        row.cleared_at = now
        put(row, fields=["cleared_at"])
        evidence(
            "room.flag_cleared", room, {"flag_id": row.id, "kind": row.kind, "about": row.about}
        )
    return len(found.to_raise) + len(found.to_clear)


def _raise(room: Room, flag: flag_rules.Flag, now: datetime) -> None:
    if Flag.objects.filter(room=room, kind=flag.kind.value, about=flag.about).exists():
        return  # it was raised and has cleared: once is enough for one leaving, set-up or closing
    row = Flag(
        business_id=room.business_id,
        location_id=room.location_id,
        room=room,
        kind=flag.kind.value,
        about=flag.about,
        due_at=flag.due_at,
        raised_at=now,
    )
    put(row)
    evidence(
        "room.flag_raised",
        room,
        {"flag_id": row.id, "kind": row.kind, "about": row.about, "due_at": row.due_at},
    )


def _times(room: Room, now: datetime) -> flag_rules.RoomTimes:
    place = room.location
    turnover = queries.open_turnover(room.id)
    today = local_date(now, place.zone)
    return flag_rules.RoomTimes(
        state=queries.effective_state(room, now),
        left_at=turnover.left_at if turnover and room.state == RoomState.NEEDS_TURNOVER else None,
        next_set_up_at=claimed.next_set_up([room.id], room.state_since).get(room.id),
        closing_at=closing_on(place.opening_hours, place.zone, today),
        lapsed_at=room.ready_until if room.state == RoomState.NEEDS_TURNOVER else None,
    )
