"""What another time zone does to what is planned at a location. Pure.

Instants stay, so a visit's wall time may be another; shifts and opening hours are wall times, so
their instants may be others, and a visit may lie outside them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from uuid import UUID
from zoneinfo import ZoneInfo

from services.rules.shifts import Worked, covers
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy.rules import OpeningHours, first_closed


class Outside(StrEnum):
    """What a visit would lie outside of."""

    OPENING_HOURS = "opening_hours"
    #: Of whoever sets up, performs or turns over.
    SHIFT = "shift"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Somebody's part in a visit, with the duty in which they do it."""

    person_id: UUID
    duty: str
    period: Period


@dataclass(frozen=True, slots=True, kw_only=True)
class Coming:
    """A visit that is to come: while the client is there, and who does what."""

    id: UUID
    period: Period
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """A location's wall clock and what goes by it; `shifts`: (person, duty) -> what they work."""

    zone: str
    hours: OpeningHours
    holidays_of: str
    shifts: dict[tuple[UUID, str], list[Worked]]

    def wall(self, at: datetime) -> str:
        """Date and time on the wall, with the offset, which tells a doubled hour apart."""
        return at.astimezone(ZoneInfo(self.zone)).isoformat(timespec="minutes")

    def offset(self, at: datetime) -> object:
        return at.astimezone(ZoneInfo(self.zone)).utcoffset()

    def outside(self, visit: Coming) -> list[Outside]:
        """What the visit lies outside of."""
        closed_at = first_closed(self.hours, self.zone, visit.period, self.holidays_of)
        found = [] if closed_at is None else [Outside.OPENING_HOURS]
        if not all(self._on_shift(part) for part in visit.parts):
            found.append(Outside.SHIFT)
        return found

    def _on_shift(self, part: Part) -> bool:
        return covers(self.shifts.get((part.person_id, part.duty), ()), part.period)


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """A visit whose wall time is another, or that lies outside of something afterwards."""

    id: UUID
    starts_at: datetime
    wall_before: str
    wall_after: str
    outside_before: list[Outside]
    outside_after: list[Outside]


def in_zone(worked: Worked, zone: str) -> Worked:
    """The same wall times on another clock."""
    return replace(worked, zone=zone)


def wall_time_changes(instants: Iterable[datetime], before: str, after: str) -> int:
    """At how many of the instants the two clocks show another time."""
    zones = ZoneInfo(before), ZoneInfo(after)
    offsets = ([at.astimezone(zone).utcoffset() for zone in zones] for at in instants)
    return sum(1 for a, b in offsets if a != b)


def changed(visits: Sequence[Coming], before: Clock, after: Clock) -> list[Changed]:
    """The visits whose wall time would be another, or that would lie outside of something, in their order."""
    found = []
    for visit in visits:
        at = visit.period.start
        outside = after.outside(visit)
        if outside or before.offset(at) != after.offset(at):
            found.append(
                Changed(
                    id=visit.id,
                    starts_at=at,
                    wall_before=before.wall(at),
                    wall_after=after.wall(at),
                    outside_before=before.outside(visit),
                    outside_after=outside,
                )
            )
    return found
