"""For one question: at which starts each room, kit and practitioner could, as bits. Nothing is ranked here."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property
from itertools import product
from uuid import UUID

from services.rules.availability.bits import MINUTE, Ruler, ahead, held
from services.rules.availability.layouts import (
    Block,
    Choice,
    Layout,
    by_pattern,
    crews_of,
    layout_of,
    orders_of,
    rooms_of,
)
from services.rules.availability.model import Attendant, Kit, Practitioner, Question, Room, Spans

Key = tuple[object, ...]
#: What a mask was made from, and the mask. An id is somebody's only for as long as they live.
Kept = tuple[tuple[object, ...], int]


def ruler_of(question: Question) -> Ruler:
    """From the hour before the longest set-up, on the grid, up to the horizon."""
    before = max(line.minutes.set_up for line in question.lines)
    hours = timedelta(hours=1 + before // 60)
    start = question.period.start.replace(minute=0, second=0, microsecond=0) - hours
    return Ruler(origin=start, length=max(0, (question.horizon - start) // MINUTE))


@dataclass(frozen=True, kw_only=True)
class Group:
    """Choices that share a layout, and so their minutes."""

    tier: int
    order: int
    layout: Layout
    crews: Mapping[Choice, int]
    rooms: Mapping[Choice, int]
    kits: Mapping[str, Mapping[UUID, int]]
    #: The starts that closing, period and screening leave, then those of the client.
    is_open: int
    in_period: int
    screened: int
    client: int

    @cached_property
    def feasible(self) -> int:
        """The starts at which this works in some choice of people, rooms and kits."""
        found = self.is_open & self.in_period & self.screened & self.client
        found &= either(self.crews.values()) & either(self.rooms.values())
        for of_kind in self.kits.values():
            found &= either(of_kind.values())
        return found


def either(masks: Iterable[int]) -> int:
    found = 0
    for mask in masks:
        found |= mask
    return found


@dataclass(kw_only=True)
class Masks:
    """Every group of a question. Sharing `kept` with a changed question keeps what did not change."""

    question: Question
    kept: dict[Key, Kept] = field(default_factory=dict)

    @cached_property
    def ruler(self) -> Ruler:
        return ruler_of(self.question)

    @cached_property
    def groups(self) -> list[Group]:
        found = []
        for order, lines in enumerate(orders_of(self.question)):
            by_room = list(by_pattern(rooms_of(self.question, lines)))
            for tier, of_tier in enumerate(crews_of(self.question, lines)):
                for (crew, crews), (room, rooms) in product(by_pattern(of_tier), by_room):
                    layout = layout_of(lines, crew, room)
                    if not layout.needs_a_room_twice:
                        found.append(self._group(order, tier, layout, crews, rooms))
        return found

    def _group(
        self, order: int, tier: int, layout: Layout, crews: list[Choice], rooms: list[Choice]
    ) -> Group:
        question, ruler = self.question, self.ruler
        starts = ruler.touched([question.period]) & ruler.grid
        earliest = ruler.first(
            max(question.period.start, question.now + question.lead_minutes * MINUTE)
        )
        starts = starts >> earliest << earliest
        screened = ruler.everything
        for line, (comes, _) in zip(layout.lines, layout.services, strict=True):
            if line.may_start is not None:
                screened &= ahead(ruler.inside(line.may_start), comes)
        whole = (layout.services[0][0], layout.services[-1][1])
        jobs = [self.attended(block) for _, block in layout.jobs]
        return Group(
            tier=tier,
            order=order,
            layout=layout,
            crews={crew: self._crew(layout, crew, jobs) for crew in crews},
            rooms={chosen: self._room(layout, chosen) for chosen in rooms},
            kits={
                kind: {
                    k.id: self.fits(k, k.busy, None, block) for k in question.kits if k.kind == kind
                }
                for kind, block in layout.kit_blocks.items()
            },
            is_open=self.fits(question, (), question.open, whole),
            in_period=starts,
            screened=screened,
            client=self._all(
                self.fits(question, question.client_busy, None, block) for block in layout.services
            ),
        )

    def fits(self, whose: object, busy: Spans, on_shift: Spans | None, block: Block) -> int:
        """The starts at which `block` is on shift (if that is asked) and meets nothing busy."""
        first, end = block
        key = (id(whose), id(busy), on_shift is None, end - first)
        if key not in self.kept:
            there = self._there(whose, busy, on_shift)
            self.kept[key] = ((whose, busy), held(there, end - first))
        return ahead(self.kept[key][1], first)

    def _there(self, whose: object, busy: Spans, on_shift: Spans | None) -> int:
        key = (id(whose), id(busy), on_shift is None)
        if key not in self.kept:
            span = self.ruler.everything if on_shift is None else self.ruler.inside(on_shift)
            self.kept[key] = ((whose, busy), span & ~self.ruler.touched(busy))
        return self.kept[key][1]

    def _all(self, masks: Iterable[int]) -> int:
        found = self.ruler.everything
        for mask in masks:
            found &= mask
        return found

    def _room(self, layout: Layout, chosen: Choice) -> int:
        return self._all(
            self.fits(room, room.busy, None, block)
            for slot, room_id in enumerate(dict.fromkeys(chosen))
            for block in layout.room_blocks(slot)
            for room in (self.rooms[room_id],)
        )

    @cached_property
    def rooms(self) -> dict[UUID, Room]:
        return {r.id: r for r in self.question.rooms}

    @cached_property
    def kits(self) -> dict[UUID, Kit]:
        return {k.id: k for k in self.question.kits}

    @cached_property
    def practitioners(self) -> dict[UUID, Practitioner]:
        return {p.id: p for p in self.question.practitioners}

    @cached_property
    def _attendants(self) -> list[Attendant]:
        return sorted(self.question.attendants, key=lambda a: a.id)

    def attended(self, block: Block) -> dict[UUID, int]:
        """Who of the attendants takes this set-up or turnover at which starts: the first who can.

        The same one whom booking would choose: on shift for all of it and free, by id.
        """
        found, rest = {}, self.ruler.everything
        for who in self._attendants:
            mask = self.fits(who, who.busy, who.on_shift, block) & rest
            if mask:
                found[who.id] = mask
                rest &= ~mask
        return found

    def _crew(self, layout: Layout, crew: Choice, jobs: list[dict[UUID, int]]) -> int:
        found = self.ruler.everything
        for slot, who in enumerate(dict.fromkeys(crew)):
            found &= self._one_of_crew(layout, slot, who, jobs)
        return found & ~self._twice(layout, crew, jobs)

    def _one_of_crew(
        self, layout: Layout, slot: int, who: UUID, jobs: list[dict[UUID, int]]
    ) -> int:
        # Pairs share their people, and a changed question most of its people: each is worked out once.
        person = self.practitioners[who]
        key = (id(person), tuple(map(id, layout.lines)), layout.crew, layout.rooms, slot)
        if key not in self.kept:
            self.kept[key] = ((person, layout.lines), self._in_slot(layout, slot, person, jobs))
        return self.kept[key][1]

    def _in_slot(
        self, layout: Layout, slot: int, person: Practitioner, jobs: list[dict[UUID, int]]
    ) -> int:
        found = self._all(
            self.fits(person, person.busy, person.on_shift, block)
            for block in layout.crew_blocks(slot)
        )
        for i, (line, (comes, _)) in enumerate(zip(layout.lines, layout.services, strict=True)):
            if layout.crew[i] == slot:
                spans = person.covers.get(line.service_id, ())
                key = (id(person), line.service_id)
                if key not in self.kept:
                    self.kept[key] = ((person,), self.ruler.inside(spans))
                found &= ahead(self.kept[key][1], comes)
        for (line_at, block), by_attendants in zip(layout.jobs, jobs, strict=True):
            if layout.crew[line_at] == slot:
                # Booking wants the practitioner's own shift for what they do at their own line.
                others = either(mask for a, mask in by_attendants.items() if a != person.id)
                found &= others | self.fits(person, person.busy, person.on_shift, block)
        return found

    def _twice(self, layout: Layout, crew: Choice, jobs: list[dict[UUID, int]]) -> int:
        """The starts at which the visit itself would need one person in two places at once."""
        if not layout.clashing and not layout.beside:
            return 0
        doing = []
        for (line_at, _), by_attendants in zip(layout.jobs, jobs, strict=True):
            nobody = self.ruler.everything & ~either(by_attendants.values())
            own = crew[line_at]
            doing.append({**by_attendants, own: by_attendants.get(own, 0) | nobody})
        found = 0
        for i, j in layout.clashing:
            for who in doing[i].keys() & doing[j].keys():
                found |= doing[i][who] & doing[j][who]
        for i, at in layout.beside:
            found |= doing[i].get(crew[at], 0)
        return found
