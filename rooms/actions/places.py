"""Rooms: added, changed, taken, left, out of use."""

from datetime import datetime
from typing import Any
from uuid import UUID

from rooms import queries
from rooms.actions.changes import evidence, move, need_turnover
from rooms.models import Room
from rooms.problems import RoomNotReady
from rooms.rules.turnover import RoomState
from spa_ops.claims import actions as claims
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action


@action
def add_room(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    name: str,
    features: list[str] | None = None,
    id: UUID | None = None,
) -> Room:
    """A new room, bookable at once. It needs turnover until someone says by name that it is clean."""
    place = tenancy.location(location_id, actor)
    room = Room(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        name=name,
        features=sorted(set(features or [])),
        state=RoomState.NEEDS_TURNOVER,
        state_since=now,
    )
    claims.add_bookable(BookableKind.ROOM, room.id)
    put(room)
    need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    evidence("room.added", room, {"features": room.features})
    return room


@action
def change_room(
    *, actor: Actor, now: datetime, room_id: UUID, match: int | None = None, **changes: Any
) -> Room:
    """Another name, other features, other minutes around a visit (what is planned stays as it is)."""
    room = tenancy.locked(Room, room_id, actor, match=match)
    for name, value in changes.items():
        setattr(room, name, sorted(set(value)) if name == "features" else value)
    put(room, fields=list(changes))
    evidence("room.changed", room, {"features": room.features})
    return room


@action
def occupy(*, actor: Actor, now: datetime, room_id: UUID, visit_id: UUID) -> Room:
    """A client is brought in: the room is in service. Raises `RoomNotReady` unless it is ready."""
    room = tenancy.locked(Room, room_id, actor)
    state = queries.effective_state(room, now)
    if state is not RoomState.READY:
        raise RoomNotReady(state=state.value)
    move(room, RoomState.IN_SERVICE, now, visit_id=visit_id, ready_until=None)
    return room


@action
def leave(
    *, actor: Actor, now: datetime, room_id: UUID, visit_id: UUID, blood_seen: bool = False
) -> Room:
    """The client is out: the room needs turnover. Leaving a room that this visit is not in is refused."""
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.IN_SERVICE or room.visit_id != visit_id:
        raise WrongState(thing="room", state=room.state, needed="in service by this visit")
    move(room, RoomState.NEEDS_TURNOVER, now)
    need_turnover(room, now, visit_id=visit_id, left_at=now, blood_seen=blood_seen)
    return room


@action
def take_out_of_use(*, actor: Actor, now: datetime, room_id: UUID, reason: str) -> Room:
    """The room is not to be used, for a reason that is shown."""
    room = tenancy.locked(Room, room_id, actor)
    move(room, RoomState.OUT_OF_USE, now, out_of_use_reason=reason, ready_until=None)
    evidence("room.taken_out_of_use", room, {})
    return room


@action
def bring_back(*, actor: Actor, now: datetime, room_id: UUID) -> Room:
    """The room may be used again, after a turnover."""
    room = tenancy.locked(Room, room_id, actor)
    if room.state != RoomState.OUT_OF_USE:
        raise WrongState(thing="room", state=room.state, needed="out of use")
    move(room, RoomState.NEEDS_TURNOVER, now, out_of_use_reason="")
    need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    evidence("room.brought_back", room, {})
    return room


@action
def redraw_readiness(*, actor: Actor, now: datetime, location_id: UUID) -> list[Room]:
    """After the location's wall clock or hours changed: ready rooms are ready until the closing that holds now.

    Locks all rooms by id, so that one that is called ready meanwhile has the new closing. What has
    lapsed by it needs turnover, as at any closing; what had lapsed before is not ready again.
    """
    rooms = queries.locked_rooms(tenancy.location(location_id, actor).id)
    # Read when nobody can call a room ready any more.
    place = tenancy.location(location_id, actor)
    found = []
    for room in rooms:
        if queries.effective_state(room, now) is not RoomState.READY:
            continue
        until = queries.ready_until(place, room.state_since)
        if until != room.ready_until:
            room.ready_until = until
            put(room, fields=["ready_until"])
            found.append(room)
    return found
