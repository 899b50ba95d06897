"""The same search, done the plain way: every grid start against every span, with no bits and no masks.

It shares the rule of phases (by which booking plans) with the program, and nothing else.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise, permutations, product
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from services.rules.availability.model import Question
from services.rules.kits import WayBack
from services.rules.phases import LinePlan, LineSpans, spans_of
from spa_ops.kernel.intervals import Period

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True)
class Way:
    """One way to hold the visit at one start."""

    tier: int
    waste: int
    unusual: bool
    order: int
    crew: tuple[UUID, ...]
    rooms: tuple[UUID, ...]
    kits: tuple[tuple[str, UUID], ...]
    spans: tuple[LineSpans, ...]
    doers: tuple[tuple[UUID, UUID], ...]

    @property
    def rank(self) -> tuple[Any, ...]:
        return (self.tier, self.waste, self.unusual, self.order, self.crew, self.rooms, self.kits)


def starts(q: Question) -> Iterator[datetime]:
    at = q.period.start.replace(minute=0, second=0, microsecond=0)
    while at < q.period.end:
        in_time = at >= q.period.start and at >= q.now + q.lead_minutes * MINUTE
        if in_time and (q.not_from is None or at < q.not_from):
            yield at
        at += 5 * MINUTE


def plain_options(q: Question, without: frozenset[str] = frozenset()) -> dict[datetime, Way]:
    """Each start that works with its best way. `without` leaves named checks out."""
    found = {}
    for start in starts(q):
        ways = list(ways_at(q, start, without))
        if ways:
            found[start] = min(ways, key=lambda way: way.rank)
    return found


def ways_at(q: Question, start: datetime, without: frozenset[str] = frozenset()) -> Iterator[Way]:
    orders = [] if q.any_order else [q.lines]
    for places in permutations(range(len(q.lines))) if q.any_order else ():
        order = tuple(q.lines[n] for n in places)
        wrong = any(places.index(a) < places.index(b) for a, b in q.not_before)
        if not wrong and order not in orders:
            orders.append(order)
    for n, lines in enumerate(orders):
        people = [
            [p for p in q.practitioners
             if line.practitioner_id in {None, p.id} and p.covers.get(line.service_id)]
            for line in lines
        ]  # fmt: skip
        places = [
            [
                r
                for r in q.rooms
                if line.room_id in {None, r.id} and line.room_features <= r.features
            ]
            for line in lines
        ]
        crews = allowed([[p.id for p in able] for able in people])
        rooms = allowed([[r.id for r in able] for able in places])
        fewest = min((changes(r) for r in rooms), default=0)
        kinds = sorted({line.kit_kind for line in lines if line.kit_kind})
        kit_choices = [[(kind, k.id) for k in q.kits if k.kind == kind] for kind in kinds]
        for crew, chosen, kits in product(
            crews, [r for r in rooms if changes(r) == fewest], product(*kit_choices)
        ):
            way = _way(q, start, lines, n, crew, chosen, kits, without)
            if way:
                yield way


def changes(chosen: tuple[UUID, ...]) -> int:
    return sum(a != b for a, b in pairwise(chosen))


def allowed(able: list[list[UUID]]) -> list[tuple[UUID, ...]]:
    every = list(product(*able))
    once = [c for c in every if changes(c) <= 1]
    if once:
        return once
    return [c for c in every if len(every) == 1 and len(set(c)) <= 2]


def meets(spans: tuple[Period, ...], start: datetime, end: datetime) -> bool:
    return start < end and any(s.start < end and start < s.end for s in spans)


def covered(spans: tuple[Period, ...], start: datetime, end: datetime) -> bool:
    reached = start
    for s in sorted(spans):
        if s.start <= reached:
            reached = max(reached, s.end)
    return reached >= end


def within(spans: tuple[Period, ...], at: datetime) -> bool:
    return any(s.start <= at < s.end for s in spans)


def _way(q, start, lines, order, crew, rooms, kits, without):
    plans = [
        LinePlan(
            minutes=line.minutes_of(who), practitioner_id=who, room_id=where,
            starts_at=None if i else start,
        )
        for i, (line, who, where) in enumerate(zip(lines, crew, rooms, strict=True))
    ]  # fmt: skip
    spans = spans_of(plans)
    if "rooms" not in without and any(s.turnover_ends_at > q.horizon for s in spans):
        return None
    if "open" not in without and not (
        spans[-1].ends_at <= q.horizon and covered(q.open, spans[0].starts_at, spans[-1].ends_at)
    ):
        return None
    by_id = {p.id: p for p in q.practitioners}
    room_of = {r.id: r for r in q.rooms}
    kit_of = {k.id: k for k in q.kits}
    taken: dict[UUID, list[tuple[datetime, datetime]]] = {}
    own_parts: dict[UUID, list[tuple[datetime, datetime]]] = {}
    kept: dict[UUID, list[tuple[datetime, datetime]]] = {}
    doers = []
    for line, who, where, span in zip(lines, crew, rooms, spans, strict=True):
        allowed_at = None if "screening" in without else line.may_start
        if allowed_at is not None and not within(allowed_at, span.starts_at):
            return None
        if "client" not in without and meets(q.client_busy, span.starts_at, span.ends_at):
            return None
        person = by_id[who]
        idle = "crew" in without
        set_up = _attendant(q, span.set_up_at, span.starts_at, idle) or who
        turnover = _attendant(q, span.ends_at, span.turnover_ends_at, idle) or who
        if "shift" in without:
            set_up = turnover = who
        if "licence" not in without and not within(person.covers[line.service_id], span.starts_at):
            return None
        doers.append((set_up, turnover))
        if span.unattended_at is None:
            present = [(span.starts_at, span.ends_at)]
        else:
            present = [
                (span.starts_at, span.unattended_at),
                (span.aftercare_at, span.ends_at),
            ]
        present = [(a, b) for a, b in present if a < b]
        parts = list(present)
        parts += [(span.set_up_at, span.starts_at)] if set_up == who else []
        parts += [(span.ends_at, span.turnover_ends_at)] if turnover == who else []
        own_parts.setdefault(who, []).extend((a, b) for a, b in parts if a < b)
        own_parts.setdefault(where, []).append((span.set_up_at, span.turnover_ends_at))
        for a, b in parts:
            if "shift" not in without and not covered(person.on_shift, a, b):
                return None
            if "crew" not in without and meets(person.busy, a, b):
                return None
        if "rooms" not in without and meets(
            room_of[where].busy, span.set_up_at, span.turnover_ends_at
        ):
            return None
        for subject, a, b in (
            (set_up, span.set_up_at, span.starts_at),
            *((who, a, b) for a, b in present),
            (turnover, span.ends_at, span.turnover_ends_at),
            (where, span.set_up_at, span.turnover_ends_at),
        ):
            if a < b:
                taken.setdefault(subject, []).append((a, b))
    for subjects, check, horizon in ((by_id, "crew", "shift"), (room_of, "rooms", "rooms")):
        for subject, own in own_parts.items():
            if subject not in subjects:
                continue
            one = subjects[subject]
            first, last = min(a for a, _ in own), max(b for _, b in own)
            before = (first - one.buffer.before * MINUTE, first)
            after = (last, last + one.buffer.after * MINUTE)
            if one.buffer.after and horizon not in without and after[1] > q.horizon:
                return None
            if check not in without and (meets(one.busy, *before) or meets(one.busy, *after)):
                return None
            kept.setdefault(subject, []).extend((before, after))
    for own in taken.values() if "shift" not in without else ():
        if any(a[1] > b[0] for a, b in pairwise(sorted(own))):
            return None
    for kind, kit in kits:
        own = [s for line, s in zip(lines, spans, strict=True) if line.kit_kind == kind]
        first, last = min(s.set_up_at for s in own), max(s.turnover_ends_at for s in own)
        if q.way_back.is_planned:
            last = back_at(q.way_back, last, len(kits))
        if "kits" not in without and (last > q.horizon or meets(kit_of[kit].busy, first, last)):
            return None
    waste = 0
    for subject in dict.fromkeys(crew):
        person = by_id[subject]
        waste += _waste(q, taken[subject] + kept[subject], person.busy, person.on_shift)
    for subject in dict.fromkeys(rooms):
        waste += _waste(q, taken[subject] + kept[subject], room_of[subject].busy, ())
    return Way(
        tier=0 if len(set(crew)) == 1 else 1 if changes(crew) == 1 else 2,
        waste=waste, unusual=q.usual_practitioner_id not in crew, order=order,
        crew=crew, rooms=rooms, kits=tuple(kits), spans=tuple(spans), doers=tuple(doers),
    )  # fmt: skip


def back_at(way: WayBack, end: datetime, kits: int) -> datetime:
    """Minute by minute: the first at which it may go into the bath, and then the rest of the way."""
    batches = -(-kits // way.capacity) if way.capacity else 1
    contact = way.contact * batches * MINUTE
    begin = end + way.wait * MINUTE
    while True:
        wall = begin.astimezone(ZoneInfo(way.zone)).time()
        into = begin + way.wash * MINUTE
        if (not way.set_times or wall in way.set_times) and _has_place(way, into, contact, kits):
            return into + contact + way.rinse_and_dry * MINUTE
        begin += MINUTE


def _has_place(way: WayBack, into: datetime, contact: timedelta, kits: int) -> bool:
    if not way.capacity:
        return True
    # Others come and go at these instants only.
    instants = [into, *(s.start for s in way.soaking if into <= s.start < into + contact)]
    others = max(
        (sum(s.start <= at < s.end for s in way.soaking) for at in instants if contact), default=0
    )
    return others + min(kits, way.capacity) <= way.capacity or not contact


def _attendant(q: Question, start: datetime, end: datetime, idle: bool) -> UUID | None:
    if start == end:
        return None
    free = [
        a.id for a in q.attendants
        if covered(a.on_shift, start, end) and (idle or not meets(a.busy, start, end))
    ]  # fmt: skip
    return min(free, default=None)


def _waste(q, own, busy, on_shift) -> int:
    """Walk outwards minute by minute, up to the shortest thing that could be sold."""
    total = 0
    for edge, step in ((min(a for a, _ in own), -1), (max(b for _, b in own), 1)):
        for n in range(q.shortest_minutes):
            a, b = sorted((edge + n * step * MINUTE, edge + (n + 1) * step * MINUTE))
            if meets(busy, a, b) or (on_shift and not covered(on_shift, a, b)):
                total += n
                break
    return total
