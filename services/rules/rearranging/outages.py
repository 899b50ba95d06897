"""A question as it stands while people, rooms or kits are away. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from uuid import UUID

from services.rules.availability.bits import MINUTE, filled, taken_of
from services.rules.availability.model import Busy, Question, Spans, Taken
from spa_ops.kernel.intervals import Period

Outages = Mapping[UUID, Sequence[Period]]


def with_outages(question: Question, outages: Outages) -> Question:
    """The same question with everybody and everything in `outages` taken for those times."""

    def busy(whose: UUID, now: Busy) -> Busy:
        return added(now, outages[whose]) if whose in outages else now

    return replace(
        question,
        practitioners=tuple(replace(p, busy=busy(p.id, p.busy)) for p in question.practitioners),
        attendants=tuple(replace(a, busy=busy(a.id, a.busy)) for a in question.attendants),
        rooms=tuple(replace(r, busy=busy(r.id, r.busy)) for r in question.rooms),
        kits=tuple(replace(k, busy=busy(k.id, k.busy)) for k in question.kits),
    )


def added(busy: Busy, more: Sequence[Period]) -> Busy:
    """What is taken, and `more`."""
    if not isinstance(busy, Taken):
        return (*busy, *more)
    firsts, ends = [], []
    for span in more:
        first, end = minutes_of(span, busy.origin)
        if end > 0:
            firsts.append(max(0, first))
            ends.append(end)
    return Taken(origin=busy.origin, bits=busy.bits | (filled(firsts, ends, 0) if firsts else 0))


def minutes_of(span: Period, origin: datetime) -> tuple[int, int]:
    """The whole minutes that a span touches, counted from `origin`."""
    return (span.start - origin) // MINUTE, -((origin - span.end) // MINUTE)


def spans_of(busy: Busy, origin: datetime) -> list[tuple[int, int]]:
    """What is taken as (from, until) in minutes from `origin`, a whole minute."""
    taken = taken_of(busy)
    by, bits, found = (taken.origin - origin) // MINUTE, taken.bits, []
    while bits:
        first = (bits & -bits).bit_length() - 1
        length = (~(bits >> first) & ((bits >> first) + 1)).bit_length() - 1
        found.append((by + first, by + first + length))
        bits &= ~(((1 << length) - 1) << first)
    return found


def is_away(who: UUID, span: Period, outages: Outages) -> bool:
    """Whether somebody or something is away at some time within `span`."""
    return any(span.overlaps(out) for out in outages.get(who, ()))


def joined(*all_outages: Outages) -> dict[UUID, Spans]:
    """Several outages as one."""
    found: dict[UUID, Spans] = {}
    for outages in all_outages:
        for who, spans in outages.items():
            found[who] = (*found.get(who, ()), *spans)
    return found
