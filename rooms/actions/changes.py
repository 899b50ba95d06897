"""What every change of a room has in common: the legal move, the turnover it brings, its evidence."""

from datetime import datetime
from typing import Any
from uuid import UUID

from rooms import queries
from rooms.models import Room, Turnover
from rooms.rules import turnover as rules
from rooms.rules.turnover import RoomState
from spa_ops.kernel.problems import WrongState
from spa_ops.unit.rows import put
from spa_ops.unit.work import current


def need_turnover(
    room: Room, now: datetime, *, visit_id: UUID | None, left_at: datetime | None, blood_seen: bool
) -> None:
    if queries.open_turnover(room.id) is None:
        Turnover(
            business_id=room.business_id,
            room=room,
            visit_id=visit_id,
            left_at=left_at,
            due_since=now,
            blood_seen=blood_seen,
        ).save(force_insert=True)


def move(room: Room, state: RoomState, now: datetime, **fields: Any) -> None:
    if not rules.is_legal_move(RoomState(room.state), state):
        raise WrongState(
            thing="room", state=room.state, needed=f"a state from which {state} follows"
        )
    room.state, room.state_since = state, now
    for name, value in fields.items():
        setattr(room, name, value)
    put(room, fields=["state", "state_since", *fields])


def lapse(room: Room, now: datetime) -> None:
    lapsed_at = room.ready_until
    move(room, RoomState.NEEDS_TURNOVER, now, ready_until=lapsed_at)
    need_turnover(room, now, visit_id=None, left_at=None, blood_seen=False)
    evidence("room.lapsed", room, {"lapsed_at": lapsed_at})


def evidence(kind: str, room: Room, facts: dict[str, Any]) -> None:
    current().evidence(
        kind, location_id=room.location_id, subject_id=room.id, facts={"room_id": room.id, **facts}
    )
