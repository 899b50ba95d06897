"""What a calendar shows of a day: when somebody or a room is taken, and for what work. Pure.

No client is named, and nothing that was told, seen or decided about one: an address can be
forwarded, and a calendar program keeps what it read.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from uuid import UUID

from spa_ops.kernel.intervals import Period

#: What is served: a week back, for looking up yesterday, and half a year ahead.
BACK, AHEAD = timedelta(days=7), timedelta(days=183)
SERVICE = "service"
_WORDS = {"set_up": "set-up", "turnover": "turnover", "buffer": "kept free"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One span that a plan takes of the calendar's person or room; no visit: an absence or a closure.

    `beside` is the room on a person's calendar, the practitioner on a room's.
    """

    id: UUID
    period: Period
    phase: str
    visit_id: UUID | None = None
    version: int = 0
    changed_at: datetime | None = None
    service: str = ""
    beside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One entry of a calendar. `uid` stays the same when the visit moves; `expected_at`: the client."""

    uid: str
    period: Period
    summary: str
    version: int
    changed_at: datetime | None
    expected_at: datetime | None = None


def events(taken: Iterable[Taken]) -> Iterator[Event]:
    """The entries by time: what a visit takes without a gap is one.

    `taken` is in order of time; nothing in it overlaps, because claims do not.
    """
    parts: dict[UUID, int] = {}
    for block in _blocks(taken):
        first = block[0]
        if first.visit_id is None:
            uid = str(first.id)
        else:
            parts[first.visit_id] = part = parts.get(first.visit_id, -1) + 1
            uid = f"{first.visit_id}-{part}"
        served = [t for t in block if t.phase == SERVICE]
        yield Event(
            uid=uid,
            period=Period(first.period.start, block[-1].period.end),
            summary=_summary(block, served),
            version=first.version,
            changed_at=first.changed_at,
            expected_at=served[0].period.start if served else None,
        )


def _blocks(taken: Iterable[Taken]) -> Iterator[list[Taken]]:
    for _, of_visit in groupby(taken, key=lambda t: t.visit_id or t.id):
        block: list[Taken] = []
        for one in of_visit:
            if block and block[-1].period.end != one.period.start:
                yield block
                block = []
            block.append(one)
        yield block


def _summary(block: list[Taken], served: list[Taken]) -> str:
    if block[0].visit_id is None:
        return "Not available"
    work = [t.service for t in served] or [_WORDS.get(t.phase, t.phase) for t in block]
    places = dict.fromkeys(t.beside for t in served or block)
    return f"{' and '.join(places)}: {', '.join(dict.fromkeys(work))}"
