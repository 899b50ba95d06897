"""Why nothing was found, day by day, and which one change would open the earliest start.

True by construction: a reason is the first check that leaves no start of those that the checks
before it left, and a change is named with the start that the same search finds once it is made.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TypeVar
from uuid import UUID

from services.rules.availability.bits import first_bit, some_of
from services.rules.availability.layouts import (
    able_people,
    able_rooms,
    crews_of,
    orders_of,
    rooms_of,
)
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import (
    MOST_IN_ANY_ORDER,
    Change,
    DayReason,
    Kit,
    Practitioner,
    Question,
    Room,
    WantedLine,
    WhatIf,
    Why,
)
from services.rules.availability.search import earliest
from spa_ops.kernel.intervals import Period

#: Stands for a room, a kit or a person that is not there.
NOBODY = UUID(int=0)
T = TypeVar("T")
#: Those of the starts that a check leaves.
Check = tuple[Why, Callable[[Group, int], int]]


def day_reasons(masks: Masks, days: Sequence[Period]) -> list[DayReason]:
    """For each of `days` without an option, what leaves it without one."""
    question = masks.question
    missing = _missing(question)
    if missing:
        return [DayReason(day=day, why=missing) for day in days]
    checks = _checks(masks)
    found = []
    for day in days:
        of_day = masks.ruler.touched((day,))
        left = [(group, of_day & masks.ruler.grid) for group in masks.groups]
        for why, check in checks:
            still = [(group, starts and check(group, starts)) for group, starts in left]
            if not any(starts for _, starts in still):
                until = _until(masks, why, left)
                found.append(DayReason(day=day, why=why, until=until))
                break
            left = still
    return found


def _missing(question: Question) -> Why | None:
    """What no day has; asked of the order that gets furthest."""
    orders = orders_of(question)
    if not orders:
        return Why.SCREENING
    if not any(tier for lines in orders for tier in crews_of(question, lines)):
        if all(able_people(question, question.lines)):
            return Why.TOO_MANY_PRACTITIONERS
        unnamed = [replace(line, practitioner_id=None) for line in question.lines]
        others = all(able_people(question, unnamed))
        return Why.PRACTITIONER_LACKS_SKILL if others else Why.NO_ONE_WITH_SKILL
    if not any(rooms_of(question, lines) for lines in orders):
        if all(able_rooms(question, question.lines)):
            return Why.TOO_MANY_ROOMS
        others = all(able_rooms(question, _anywhere(question.lines)))
        return Why.ROOM_LACKS_FEATURE if others else Why.NO_ROOM_WITH_FEATURE
    kinds = {line.kit_kind for line in question.lines if line.kit_kind}
    return Why.NO_KIT_OF_KIND if kinds - {kit.kind for kit in question.kits} else None


def _anybody(lines: Sequence[WantedLine]) -> tuple[WantedLine, ...]:
    return tuple(line if line.is_bound else replace(line, practitioner_id=None) for line in lines)


def _anywhere(lines: Sequence[WantedLine]) -> tuple[WantedLine, ...]:
    return tuple(replace(line, room_id=None) for line in lines)


def _checks(masks: Masks) -> list[Check]:
    # Who is on shift with skill and licence, were nobody taken: the same masks without busy spans.
    question = masks.question
    idle = Masks(
        question=replace(
            question,
            practitioners=tuple(replace(p, busy=()) for p in question.practitioners),
            attendants=tuple(replace(a, busy=()) for a in question.attendants),
        )
    )
    of_idle = dict(zip(masks.groups, idle.groups, strict=True))

    def licensed(group: Group, starts: int) -> int:
        slots = enumerate(group.crews.slots)
        return some_of(
            starts,
            [{who: masks.covering(group.layout, n, who) for who in able} for n, able in slots],
        )

    def on_shift(group: Group, starts: int) -> int:
        return of_idle[group].some_crew(starts)

    return [
        (Why.CLOSED, lambda g, starts: starts & g.is_open),
        (Why.NOT_IN_PERIOD, lambda _, starts: starts & masks.in_period),
        (Why.SCREENING, lambda g, starts: starts & g.screened),
        (Why.NO_ONE_LICENSED, licensed),
        (Why.NO_ONE_ON_SHIFT, on_shift),
        (Why.ROOMS_BUSY, lambda g, starts: starts & g.some_room),
        (Why.KITS_AWAY, lambda g, starts: starts & g.some_kits),
        (Why.PRACTITIONERS_BUSY, lambda g, starts: g.some_crew(starts)),
        (Why.CLIENT_BUSY, lambda g, starts: starts & g.client),
    ]


def _until(masks: Masks, why: Why, left: Sequence[tuple[Group, int]]) -> datetime | None:
    """The first instant at which what is missing would be there, from the first start that was left."""
    parts: dict[Why, Callable[[Group], int]] = {
        Why.SCREENING: lambda g: g.screened,
        Why.ROOMS_BUSY: lambda g: g.some_room,
        Why.KITS_AWAY: lambda g: g.some_kits,
    }
    if why not in parts:
        return None
    found = []
    for group, starts in left:
        first = first_bit(starts)
        if first is not None:
            later = first_bit(parts[why](group) >> first)
            found += [] if later is None else [first + later + _lead(why, group)]
    return masks.ruler.at(min(found)) if found else None


def _lead(why: Why, group: Group) -> int:
    """From the client's coming to the moment at which the thing is needed."""
    if why is Why.KITS_AWAY:
        return min(first for first, _ in group.layout.kit_blocks.values())
    return group.layout.wholes[0][0] if why is Why.ROOMS_BUSY else 0


def what_ifs(masks: Masks) -> list[WhatIf]:
    """Each kind of change that alone would open a start, with the earliest it opens; earliest first."""
    best: dict[Change, WhatIf] = {}
    for changed, made in _changes(masks.question):
        opens_at = earliest(Masks(question=made, kept=masks.kept))
        if opens_at is None:
            continue
        found = replace(changed, opens_at=opens_at)
        known = best.get(changed.change)
        if known is None or opens_at < known.opens_at:
            best[changed.change] = found
    return sorted(best.values(), key=lambda w: (w.opens_at, w.change))


def _changes(question: Question) -> Iterator[tuple[WhatIf, Question]]:
    def what(change: Change, subject: UUID | None = None, kind: str = "") -> WhatIf:
        at = question.period.start
        return WhatIf(change=change, opens_at=at, subject_id=subject, kit_kind=kind)

    lines = question.lines
    if any(line.room_id is None for line in lines):
        features = frozenset().union(*(line.room_features for line in lines))
        room = Room(id=NOBODY, features=features)
        yield what(Change.ROOM_ADDED), replace(question, rooms=(*question.rooms, room))
    for n, room in enumerate(question.rooms):
        if room.busy and any(line.room_id == room.id for line in lines):
            freed = _with(question.rooms, n, replace(room, busy=()))
            yield what(Change.ROOM_FREED, room.id), replace(question, rooms=freed)
    for kind in sorted({line.kit_kind for line in lines if line.kit_kind}):
        kits = (*question.kits, Kit(id=NOBODY, kind=kind))
        yield what(Change.KIT_ADDED, kind=kind), replace(question, kits=kits)
    if any(line.practitioner_id is None for line in lines):
        always = (Period(question.period.start - timedelta(days=2), question.horizon),)
        new = Practitioner(
            id=NOBODY, covers={line.service_id: always for line in lines}, on_shift=always
        )
        people = (*question.practitioners, new)
        yield what(Change.PRACTITIONER_ADDED), replace(question, practitioners=people)
    for n, person in enumerate(question.practitioners):
        if person.busy and any(person.covers.get(line.service_id) for line in lines):
            freed_people = _with(question.practitioners, n, replace(person, busy=()))
            yield (
                what(Change.PRACTITIONER_FREED, person.id),
                replace(question, practitioners=freed_people),
            )
    if question.client_busy:
        yield what(Change.CLIENT_FREED), replace(question, client_busy=())
    yield from _wishes_dropped(question, what)
    if question.period.end < question.horizon:
        later = Period(question.period.start, question.horizon)
        yield what(Change.LATER_DAY), replace(question, period=later)


def _wishes_dropped(
    question: Question, what: Callable[..., WhatIf]
) -> Iterator[tuple[WhatIf, Question]]:
    """What the client could do without."""
    lines = question.lines
    for change, free in ((Change.ANY_PRACTITIONER, _anybody), (Change.ANY_ROOM, _anywhere)):
        if free(lines) != lines:
            yield what(change), replace(question, lines=free(lines))
    if 1 < len(lines) <= MOST_IN_ANY_ORDER and not question.any_order:
        yield what(Change.ANY_ORDER), replace(question, any_order=True)
    for n, line in enumerate(lines if len(lines) > 1 else ()):
        left = [at for at in range(len(lines)) if at != n]
        rest = replace(
            question,
            lines=tuple(lines[at] for at in left),
            not_before=frozenset(
                (left.index(a), left.index(b)) for a, b in question.not_before if n not in {a, b}
            ),
        )
        yield what(Change.LINE_DROPPED, line.service_id), rest


def _with(them: tuple[T, ...], n: int, one: T) -> tuple[T, ...]:
    return (*them[:n], one, *them[n + 1 :])
