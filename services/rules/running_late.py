"""How far one visit that runs late pushes the others of its day. Pure.

Plans keep their order: whoever and whatever a late visit holds is free that much later for the plan
after it, and free time in between takes up minutes. Nothing is swapped or moved here.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from heapq import heappop, heappush
from itertools import count, pairwise
from uuid import UUID

from spa_ops.kernel.intervals import Period

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One visit's plan: what it still takes of whom and of what."""

    id: UUID
    taken: tuple[tuple[UUID, Period], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """How late a visit is going to be, and what makes it so: the visit before and what both need.

    Without `after` it is late by itself.
    """

    minutes: int
    after: UUID | None = None
    waits_for: UUID | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFacts:
    """What is planned and known of one line; without `started_at` its work has not begun."""

    hands_on_at: datetime
    aftercare_at: datetime
    ends_at: datetime
    started_at: datetime | None = None
    is_over: bool = False


def late_by_itself(
    starts_at: datetime, lines: Sequence[LineFacts], now: datetime, *, is_in_room: bool
) -> int:
    """By how many minutes, each begun one counted, a visit is behind its plan as it stands now.

    `lines` are those that were not dropped, in order. A client who has not been seated is late from
    `starts_at` on. Work that began late ends as much later, and work that has not ended by its time
    is late from then on.
    """
    current = next((line for line in lines if not line.is_over), None)
    if current is None:
        behind = [now - line.ends_at for line in lines[-1:]]
    elif current.started_at is not None:
        behind = [current.started_at - current.hands_on_at, now - current.aftercare_at]
    elif is_in_room:
        behind = [now - current.hands_on_at]
    else:
        behind = [now - starts_at]
    return max([0, *(-(-by // _MINUTE) for by in behind)])


@dataclass(frozen=True, slots=True)
class _Link:
    to: UUID
    spare_minutes: int
    over: UUID


def lateness(plans: Iterable[Planned], late: Mapping[UUID, int]) -> dict[UUID, Late]:
    """The visits that will be late, by how many whole minutes; `late` are those that are by themselves.

    Each waits exactly as long as the plan before it makes it: minutes are lost only in free time
    between two plans, so the latest come first and are final (Dijkstra's argument).
    """
    links = _links(plans)
    found: dict[UUID, Late] = {}
    order = count()
    heap: list[tuple[int, int, UUID, Late]] = []
    for visit_id, minutes in late.items():
        if minutes > 0:
            heappush(heap, (-minutes, next(order), visit_id, Late(minutes=minutes)))
    while heap:
        _, _, visit_id, how = heappop(heap)
        if visit_id in found:
            continue
        found[visit_id] = how
        for link in links[visit_id]:
            minutes = how.minutes - link.spare_minutes
            if minutes > 0 and link.to not in found:
                pushed = Late(minutes=minutes, after=visit_id, waits_for=link.over)
                heappush(heap, (-minutes, next(order), link.to, pushed))
    return found


def spare_minutes(plans: Sequence[Planned], visit_id: UUID) -> dict[UUID, int]:
    """For each other visit that waits for this one: by how many minutes it may be late before they are.

    One minute more and that visit is a minute late, and so on minute by minute.
    """
    far = 60 * 24 * 7
    found = lateness(plans, {visit_id: far})
    return {other: far - how.minutes for other, how in found.items() if other != visit_id}


def _links(plans: Iterable[Planned]) -> dict[UUID, list[_Link]]:
    """From each visit to those that come next at something it takes."""
    by_thing: dict[UUID, list[tuple[Period, UUID]]] = defaultdict(list)
    for plan in plans:
        for thing, span in plan.taken:
            by_thing[thing].append((span, plan.id))
    found: dict[UUID, list[_Link]] = defaultdict(list)
    for thing, spans in by_thing.items():
        for (before, one), (after, other) in pairwise(sorted(spans)):
            if one != other:
                spare = max(0, int((after.start - before.end).total_seconds()) // 60)
                found[one].append(_Link(other, spare, thing))
    return found
