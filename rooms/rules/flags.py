"""Which flags are due on a room, and which open ones have cleared themselves. Sweeps ask this."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from rooms.rules.turnover import RoomState
from spa_ops.kernel.escalation import level_at


class FlagKind(StrEnum):
    """What is late about a room."""

    TURNOVER_NOT_BEGUN = "turnover_not_begun"
    NOT_READY_BEFORE_SET_UP = "not_ready_before_set_up"
    NOT_READY_AT_CLOSING = "not_ready_at_closing"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagPolicy:
    """A location's thresholds. No rule publishes minutes of turnover: house policy."""

    begin_within_minutes: int = 10
    ready_before_set_up_minutes: int = 5
    #: So long after a flag was due it is louder, and once more.
    escalate_after_minutes: tuple[int, int] = (15, 60)

    def __post_init__(self) -> None:
        first, second = self.escalate_after_minutes
        if min(self.begin_within_minutes, self.ready_before_set_up_minutes, first, second) < 0:
            raise ValueError("a threshold cannot be negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomTimes:
    """A room as a sweep sees it.

    `left_at`: when the last client left, None once another came or if none was there.
    `state`: as `turnover.state_at` reads it. `next_set_up_at`: begin of set-up of the earliest
    visit not begun, also when that is past. `closing_at`: the closing to judge, today's or the
    last one passed. `lapsed_at`: when it was last ready and lapsed by closing.
    """

    state: RoomState
    left_at: datetime | None = None
    next_set_up_at: datetime | None = None
    closing_at: datetime | None = None
    lapsed_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A flag: `about` is the leaving, set-up or closing it is about, and with the kind names it.

    One flag per room, kind and `about`, however often a sweep runs; `due_at` is when it was due,
    so a late sweep shows as late.
    """

    kind: FlagKind
    about: datetime
    due_at: datetime


def coming_flags(room: RoomTimes, policy: FlagPolicy) -> tuple[Flag, ...]:
    """The flags this room will earn if nothing changes, due or not yet, soonest first.

    The first one's `due_at` is when a sweep must look again.
    """
    found = (_not_begun(room, policy), _before_set_up(room, policy), _at_closing(room))
    return tuple(sorted((flag for flag in found if flag), key=lambda flag: flag.due_at))


def due_flags(room: RoomTimes, policy: FlagPolicy, *, now: datetime) -> tuple[Flag, ...]:
    """The flags that are due at `now`, soonest first."""
    return tuple(flag for flag in coming_flags(room, policy) if flag.due_at <= now)


def flag_level(flag: Flag, policy: FlagPolicy, *, now: datetime) -> int:
    """How loud a raised flag is: 1 when it is due, 2 and 3 past the policy's thresholds."""
    after = [timedelta(minutes=minutes) for minutes in policy.escalate_after_minutes]
    return max(1, level_at(flag.due_at, after, now))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagChanges:
    """What a sweep has to write."""

    to_raise: tuple[Flag, ...]
    to_clear: tuple[Flag, ...]


def flag_changes(
    room: RoomTimes, policy: FlagPolicy, open_flags: Iterable[Flag], *, now: datetime
) -> FlagChanges:
    """What to raise and what has cleared itself, given the flags open now.

    Running it twice changes nothing the second time.
    """
    standing = tuple(open_flags)
    known = {(flag.kind, flag.about) for flag in standing}
    return FlagChanges(
        to_raise=tuple(
            f for f in due_flags(room, policy, now=now) if (f.kind, f.about) not in known
        ),
        to_clear=tuple(flag for flag in standing if not _still_stands(flag, room)),
    )


def _still_stands(flag: Flag, room: RoomTimes) -> bool:
    if flag.kind is FlagKind.TURNOVER_NOT_BEGUN:
        return room.state is RoomState.NEEDS_TURNOVER and room.left_at == flag.about
    if room.state is RoomState.READY:
        return False
    if flag.kind is FlagKind.NOT_READY_BEFORE_SET_UP:
        return room.next_set_up_at == flag.about
    # A closing missed is open until the room has been ready again, also on the next day.
    return room.state is not RoomState.OUT_OF_USE


def _not_begun(room: RoomTimes, policy: FlagPolicy) -> Flag | None:
    if room.state is not RoomState.NEEDS_TURNOVER or room.left_at is None:
        return None
    due_at = room.left_at + timedelta(minutes=policy.begin_within_minutes)
    return Flag(kind=FlagKind.TURNOVER_NOT_BEGUN, about=room.left_at, due_at=due_at)


def _before_set_up(room: RoomTimes, policy: FlagPolicy) -> Flag | None:
    if room.state is RoomState.READY or room.next_set_up_at is None:
        return None
    due_at = room.next_set_up_at - timedelta(minutes=policy.ready_before_set_up_minutes)
    return Flag(kind=FlagKind.NOT_READY_BEFORE_SET_UP, about=room.next_set_up_at, due_at=due_at)


def _at_closing(room: RoomTimes) -> Flag | None:
    at_rest = room.state in {RoomState.READY, RoomState.OUT_OF_USE}
    if at_rest or room.closing_at is None:
        return None
    # It was ready when the day ended; that this lapsed is no one's omission.
    if room.lapsed_at is not None and room.lapsed_at >= room.closing_at:
        return None
    return Flag(kind=FlagKind.NOT_READY_AT_CLOSING, about=room.closing_at, due_at=room.closing_at)
