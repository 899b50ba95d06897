"""For one question: at which starts each room, kit and practitioner could, as bits. Nothing is ranked here."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from itertools import product
from typing import TypeVar
from uuid import UUID

from services.rules.availability.bits import MINUTE, Ruler, ahead, choices_at, either, held, some_of
from services.rules.availability.gaps import Gaps
from services.rules.availability.layouts import (
    Block,
    Choice,
    Layout,
    Pattern,
    Places,
    crews_of,
    layout_of,
    orders_of,
    rooms_of,
    widened,
    with_minutes,
)
from services.rules.availability.model import (
    Attendant,
    Busy,
    Kit,
    Practitioner,
    Question,
    Room,
    Spans,
    WantedLine,
)
from services.rules.availability.returning import free_until_back, runs_of

Key = tuple[object, ...]
#: What was worked out from what. An id is somebody's only for as long as they live.
Kept = tuple[tuple[object, ...], object]
T = TypeVar("T")
_NOTHING: Spans = ()


def ruler_of(question: Question) -> Ruler:
    """From the hour before the longest set-up and buffer, on the grid, up to the horizon."""
    before = max(
        minutes.set_up
        for line in question.lines
        for minutes in (line.minutes, *line.own_minutes.values())
    )
    buffers = [p.buffer for p in question.practitioners] + [r.buffer for r in question.rooms]
    before += max((buffer.before for buffer in buffers), default=0)
    hours = timedelta(hours=1 + before // 60)
    start = question.period.start.replace(minute=0, second=0, microsecond=0) - hours
    return Ruler(origin=start, length=max(0, (question.horizon - start) // MINUTE))


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Choices that share a layout, and so their minutes. Each mask is worked out when it is asked for."""

    masks: "Masks"
    tier: int
    order: int
    layout: Layout
    crews: Places
    chosen_rooms: Places

    @cached_property
    def feasible(self) -> int:
        """The starts at which this works in some choice of people, rooms and kits."""
        found = self.masks.in_period & self.screened & self.is_open & self.client
        # The cheapest first: pairs of practitioners are many, and often nothing is left to ask of them.
        found = found and found & self.some_room
        found = found and found & self.some_kits
        return found and self.some_crew(found)

    @cached_property
    def is_open(self) -> int:
        """The house is open from the client's coming to their leaving."""
        services = self.layout.services
        open_spans = self.masks.question.open
        return self.masks.fits(open_spans, _NOTHING, open_spans, (services[0][0], services[-1][1]))

    @cached_property
    def screened(self) -> int:
        """Screening lets every line begin in turn."""
        found = self.masks.ruler.everything
        for line, (comes, _) in zip(self.layout.lines, self.layout.services, strict=True):
            if line.may_start is not None:
                found &= ahead(self.masks.inside(line.may_start), comes)
        return found

    @cached_property
    def client(self) -> int:
        """The client is free."""
        busy = self.masks.question.client_busy
        return self.masks.all(
            self.masks.fits(busy, busy, None, block) for block in self.layout.services
        )

    @cached_property
    def rooms(self) -> list[dict[UUID, int]]:
        """For each place in the pattern of rooms when each room could."""
        masks = self.masks
        return [
            {
                which: masks.all(
                    masks.fits(room, room.busy, None, block)
                    for room in (masks.rooms[which],)
                    for block in widened(self.layout.room_blocks(slot), room.buffer)
                )
                for which in able
            }
            for slot, able in enumerate(self.chosen_rooms.slots)
        ]

    @cached_property
    def some_room(self) -> int:
        """Some choice of rooms is free."""
        return some_of(self.masks.ruler.everything, self.rooms)

    @cached_property
    def kits(self) -> Mapping[str, Mapping[UUID, int]]:
        """For each kind when each kit is there, and is not needed until it is back."""
        blocks = self.layout.kit_blocks
        return {
            kind: {
                kit.id: self.masks.fits(kit, kit.busy, None, block)
                & ahead(self.masks.until_back(kit, len(blocks)), block[1])
                for kit in self.masks.question.kits
                if kit.kind == kind
            }
            for kind, block in blocks.items()
        }

    @cached_property
    def some_kits(self) -> int:
        """A kit of each kind is there."""
        return self.masks.all(either(of_kind.values()) for of_kind in self.kits.values())

    @cached_property
    def people(self) -> list[dict[UUID, int]]:
        """For each place in the pattern of the crew when each practitioner could."""
        return [
            {who: self.masks.one_of_crew(self.layout, slot, who) for who in able}
            for slot, able in enumerate(self.crews.slots)
        ]

    def some_crew(self, starts: int) -> int:
        """Those of `starts` at which some choice of practitioners could."""
        found = starts & some_of(self.masks.ruler.everything, self.people)
        if not found or not (self.layout.clashing or self.layout.beside):
            return found
        # Only here does it matter who exactly does the set-ups and turnovers.
        able = 0
        for crew in self.crews.choices:
            able |= found & self.crew(crew)
            if able == found:
                break
        return able

    def crew(self, crew: Choice) -> int:
        """When just these could."""
        found = self.masks.ruler.everything
        for own, who in zip(self.people, dict.fromkeys(crew), strict=True):
            found &= own[who]
        return found & ~self.masks.twice(self.layout, crew)

    def crews_at(self, bit: int) -> Iterator[Choice]:
        """Who could at one start."""
        for chosen in choices_at(self.people, bit):
            crew = self.crews.choice(chosen)
            if not self.masks.twice(self.layout, crew) & bit:
                yield crew

    def rooms_at(self, bit: int) -> Iterator[Choice]:
        """Which rooms could at one start."""
        return (self.chosen_rooms.choice(chosen) for chosen in choices_at(self.rooms, bit))


@dataclass(kw_only=True)
class Masks:
    """Every group of a question. Sharing `kept` with a changed question keeps what did not change."""

    question: Question
    kept: dict[Key, Kept] = field(default_factory=dict)

    @cached_property
    def ruler(self) -> Ruler:
        question = self.question
        return self._once(
            ("ruler", question.period.start, question.horizon), (), lambda: ruler_of(question)
        )

    @cached_property
    def groups(self) -> list[Group]:
        found = []
        for order, lines in enumerate(orders_of(self.question)):
            by_room = rooms_of(self.question, lines)
            for tier, of_tier in enumerate(crews_of(self.question, lines)):
                for crews, rooms in product(of_tier, by_room):
                    own = self._lines_for(lines, crews)
                    layout = self._layout(own, crews.pattern, rooms.pattern)
                    if not layout.needs_a_room_twice:
                        found.append(
                            Group(
                                masks=self,
                                tier=tier,
                                order=order,
                                layout=layout,
                                crews=crews,
                                chosen_rooms=rooms,
                            )
                        )
        return found

    def _layout(self, lines: tuple[WantedLine, ...], crew: Pattern, rooms: Pattern) -> Layout:
        key = ("layout", *map(id, lines), crew, rooms)
        return self._once(key, (lines,), lambda: layout_of(lines, crew, rooms))

    def _lines_for(self, lines: tuple[WantedLine, ...], crews: Places) -> tuple[WantedLine, ...]:
        if not any(line.own_minutes for line in lines):
            return lines
        able = tuple(slot[0] for slot in crews.slots)
        minutes = tuple(
            line.minutes_of(able[slot]) for line, slot in zip(lines, crews.pattern, strict=True)
        )
        key = ("lines", *map(id, lines), minutes)
        return self._once(key, (lines,), lambda: with_minutes(lines, crews))

    def _once(self, key: Key, made_from: tuple[object, ...], make: Callable[[], T]) -> T:
        found = self.kept.get(key)
        if found is None:
            found = self.kept[key] = (made_from, make())
        return found[1]  # type: ignore[return-value]

    @cached_property
    def in_period(self) -> int:
        """The grid's starts within what is asked for, from the lead time on."""
        question, ruler = self.question, self.ruler
        starts = ruler.touched((question.period,)) & ruler.grid
        earliest = ruler.first(
            max(question.period.start, question.now + question.lead_minutes * MINUTE)
        )
        starts = starts >> earliest << earliest
        return starts if question.not_from is None else starts & self._before(question.not_from)

    def _before(self, at: datetime) -> int:
        return (1 << max(0, -((self.ruler.origin - at) // MINUTE))) - 1

    def inside(self, spans: Spans) -> int:
        """The minutes wholly in the union of `spans`."""
        return self._once(("inside", id(spans)), (spans,), lambda: self.ruler.inside(spans))

    def fits(self, whose: object, busy: Busy, on_shift: Spans | None, block: Block) -> int:
        """The starts at which `block` is on shift (if that is asked) and meets nothing busy."""
        first, end = block
        key = ("fits", id(whose), id(busy), on_shift is None, end - first)
        return ahead(
            self._once(
                key, (whose, busy), lambda: held(self._there(whose, busy, on_shift), end - first)
            ),
            first,
        )

    def until_back(self, kit: Kit, kits: int) -> int:
        """The minutes in which a turnover may end so that the kit is free until it is back.

        `kits`: how many the visit sends back.
        """
        way = self.question.way_back
        if not way.is_planned:
            return self.ruler.everything
        runs = self._once(("runs", id(way), kits), (way,), lambda: runs_of(way, kits, self.ruler))
        there = self._there(kit, kit.busy, None)
        return self._once(
            ("back", id(kit), id(kit.busy), id(way), kits),
            (kit, kit.busy, way),
            lambda: free_until_back(there, way, kits, runs, self.ruler),
        )

    def _there(self, whose: object, busy: Busy, on_shift: Spans | None) -> int:
        def there() -> int:
            span = self.ruler.everything if on_shift is None else self.inside(on_shift)
            return span & ~self.ruler.touched(busy)

        return self._once(("there", id(whose), id(busy), on_shift is None), (whose, busy), there)

    def all(self, masks: Iterable[int]) -> int:
        """What all have in common."""
        found = self.ruler.everything
        for mask in masks:
            found &= mask
        return found

    @cached_property
    def gaps(self) -> Gaps:
        return Gaps(self.question.shortest_minutes)

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

    def _jobs(self, layout: Layout) -> list[dict[UUID, int]]:
        key = ("jobs", id(layout), id(self.question.attendants))
        return self._once(
            key,
            (layout, self.question.attendants),
            lambda: [self.attended(block) for _, block in layout.jobs],
        )

    def one_of_crew(self, layout: Layout, slot: int, who: UUID) -> int:
        """When this practitioner could take a place in the pattern, whoever takes the other."""
        person = self.practitioners[who]
        key = ("person", id(person), id(layout), slot, id(self.question.attendants))
        return self._once(key, (person, layout), lambda: self._in_slot(layout, slot, person))

    def covering(self, layout: Layout, slot: int, who: UUID) -> int:
        """The starts at which their skill and licence let this practitioner begin each line of a place."""
        covers = self.practitioners[who].covers
        parts = zip(layout.lines, layout.services, layout.crew, strict=True)
        return self.all(
            ahead(self.inside(covers[line.service_id]), comes)
            for line, (comes, _), own in parts
            if own == slot
        )

    def _in_slot(self, layout: Layout, slot: int, person: Practitioner) -> int:
        blocks = layout.crew_blocks(slot)
        found = self.all(self.fits(person, person.busy, person.on_shift, block) for block in blocks)
        found &= self.covering(layout, slot, person.id)
        # Where their own part begins and ends while an attendant does what comes before and after.
        comes, goes = blocks[0][0], blocks[-1][1]
        ahead_of, behind = person.buffer.before, person.buffer.after
        before = self._free(person, comes - ahead_of, comes)
        after = self._free(person, goes, goes + behind)
        for (line_at, block), by_attendants in zip(layout.jobs, self._jobs(layout), strict=True):
            if layout.crew[line_at] == slot:
                # Booking wants the practitioner's own shift for what they do at their own line.
                others = either(mask for a, mask in by_attendants.items() if a != person.id)
                found &= others | self.fits(person, person.busy, person.on_shift, block)
                if block[0] < comes:
                    comes = block[0]
                    before = (before & others) | (
                        self._free(person, comes - ahead_of, comes) & ~others
                    )
                if block[1] > goes:
                    goes = block[1]
                    after = (after & others) | (self._free(person, goes, goes + behind) & ~others)
        return found & before & after

    def _free(self, person: Practitioner, first: int, end: int) -> int:
        # Nobody needs to be on shift for what is only kept free.
        if first == end:
            return self.ruler.everything
        return self.fits(person, person.busy, None, (first, end))

    def twice(self, layout: Layout, crew: Choice) -> int:
        """The starts at which the visit itself would need one person in two places at once."""
        if not layout.clashing and not layout.beside:
            return 0
        doing = []
        for (line_at, _), by_attendants in zip(layout.jobs, self._jobs(layout), strict=True):
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
