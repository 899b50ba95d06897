"""Starts at which all of several visits that belong together can be had, and how each is held then. Pure.

Exact: visits are looked at in the order in which they are booked, each with what those before it take,
in every form. Once it is settled which lines share whom and where, people, rooms and kits never ask
for each other: so each of the three is searched for by itself.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import product
from typing import TypeVar
from uuid import UUID

from services.rules.availability.bits import MINUTE, also_taken, either, first_bit, some_of
from services.rules.availability.layouts import Choice, widened
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import Attendant, Kit, Option, Practitioner, Question
from services.rules.availability.search import (
    jobs_at,
    option_lines,
    taken_of,
    wasted_by_crew,
    wasted_in_rooms,
)
from spa_ops.kernel.intervals import Period

Taken = dict[UUID, list[Period]]
Cost = tuple[int, ...]
#: What one visit has of people, rooms or kits, and what it costs.
Held = TypeVar("Held")
Jobs = tuple[UUID | None, ...]


class CutShort(Exception):
    """The time was up before everything had been looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One of the visits in one form at one start."""

    party: int
    group: Group
    bit: int
    start: datetime

    @property
    def end(self) -> datetime:
        return self.start + self.group.layout.services[-1][1] * MINUTE


@dataclass(frozen=True, kw_only=True)
class Linked:
    """Questions of visits that belong together, in the order in which they are booked.

    `between` None: all begin at one time. Else each begins when the one before has ended or later, but
    sooner than so long after it. `go_on` is asked all the time; once it says no, `CutShort` is raised.
    """

    questions: Sequence[Question]
    between: timedelta | None
    go_on: Callable[[], bool] = lambda: True
    masks: list[Masks] = field(init=False)
    #: Of each visit every form, with the starts at which it is not ruled out by itself.
    forms: list[list[tuple[Group, int]]] = field(init=False)

    def __post_init__(self) -> None:
        masks = [Masks(question=q) for q in self.questions]
        object.__setattr__(self, "masks", masks)
        forms = [
            [(group, _feasible(group, first=n == 0)) for group in m.groups]
            for n, m in enumerate(masks)
        ]
        object.__setattr__(self, "forms", forms)

    def _able(self, party: int) -> int:
        return either(mask for _, mask in self.forms[party])

    def options(self) -> Iterator[list[Option]]:
        """For each start of the first that works an option for each visit, by time.

        Those who come in turn come as early as can be, one after the other. Then as a single visit's
        options are ranked, taken together: fewest with two practitioners, least waste beside what is
        taken, most with the usual practitioner.
        """
        starts = self._able(0)
        if self.between is None and len({m.ruler.origin for m in self.masks}) == 1:
            for party in range(1, len(self.questions)):
                starts &= self._able(party)
        while (minute := first_bit(starts)) is not None:
            some = [(part,) for part in self._parts(0, self.masks[0].ruler.at(minute))]
            found = self._behind([form for form in some if self._fit(form)])
            if found is not None:
                yield found
            starts &= starts - 1

    def _behind(self, forms: Sequence[tuple[Part, ...]]) -> list[Option] | None:
        """The best that goes on from these forms of the first visits, all at the same starts."""
        if not forms:
            return None
        party = len(forms[0])
        if party == len(self.questions):
            return self._best(forms)
        for start in sorted({s for form in forms for s in self._next(form)}):
            here = self._parts(party, start)
            longer = [(*form, part) for form in forms if start in self._next(form) for part in here]
            found = self._behind([form for form in longer if self._fit(form)])
            if found is not None:
                return found
        return None

    def _next(self, form: tuple[Part, ...]) -> list[datetime]:
        """At which starts the next visit may begin and could by itself."""
        last, masks = form[-1], self.masks[len(form)]
        if self.between is None:
            return [last.start]
        ruler = masks.ruler
        first, end = ruler.first(last.end), ruler.first(last.end + self.between)
        bits = self._able(len(form)) & ((1 << end) - 1) >> first << first
        found = []
        while (minute := first_bit(bits)) is not None:
            found.append(ruler.at(minute))
            bits &= bits - 1
        return found

    def _parts(self, party: int, start: datetime) -> list[Part]:
        masks = self.masks[party]
        minute = (start - masks.ruler.origin) // MINUTE
        bit = 1 << minute if minute >= 0 else 0
        return [
            Part(party=party, group=group, bit=bit, start=start)
            for group, mask in self.forms[party]
            if mask & bit
        ]

    def _fit(self, form: tuple[Part, ...]) -> bool:
        """Whether there are rooms, kits and people for all of them."""
        return all(
            next(self._ways(form, of), None) is not None
            for of in (self._rooms, self._kits, self._people)
        )

    def _best(self, forms: Sequence[tuple[Part, ...]]) -> list[Option] | None:
        best: tuple[Cost, list[Option]] | None = None
        by_tier = sorted(forms, key=lambda form: sum(part.group.tier for part in form))
        for form in by_tier:
            tier = sum(part.group.tier for part in form)
            if best is not None and tier > best[0][0]:
                break
            *_, (people_cost, people) = self._ways(form, self._people)
            *_, (room_cost, rooms) = self._ways(form, self._rooms)
            _, kits = next(self._ways(form, self._kits))
            cost = (
                tier,
                people_cost[0] + room_cost[0],
                people_cost[1],
                *(part.group.order for part in form),
            )
            if best is None or cost < best[0]:
                best = (
                    cost,
                    [self._option(*each) for each in zip(form, people, rooms, kits, strict=True)],
                )
        return best[1] if best else None

    def _ways(
        self,
        form: tuple[Part, ...],
        of: Callable[[Part, Taken], Iterator[tuple[Cost, Held, Taken]]],
    ) -> Iterator[tuple[Cost, list[Held]]]:
        """Who or what all of a form could have, each cheaper than the one before: the last is the best."""
        best: list[Cost] = []

        def on(
            i: int, cost: Cost, taken: Taken, held: list[Held]
        ) -> Iterator[tuple[Cost, list[Held]]]:
            if not self.go_on():
                raise CutShort
            if i == len(form):
                best[:] = [cost]
                yield cost, held
                return
            for more, one, takes in sorted(of(form[i], taken), key=lambda way: way[0]):
                total = tuple(a + b for a, b in zip(cost, more, strict=True))
                # No visit costs less than nothing.
                if best and total >= best[0]:
                    return
                yield from on(i + 1, total, _joined(taken, takes), [*held, one])

        return on(0, (0, 0), {}, [])

    def _rooms(self, part: Part, taken: Taken) -> Iterator[tuple[Cost, Choice, Taken]]:
        masks, layout = part.group.masks, part.group.layout
        spans = layout.at(part.start)
        for chosen in part.group.rooms_at(part.bit):
            takes = {
                room: [
                    _span(part.start, block)
                    for block in widened(layout.room_blocks(slot), masks.rooms[room].buffer)
                ]
                for slot, room in enumerate(dict.fromkeys(chosen))
            }
            if not _clash(takes, taken):
                yield (wasted_in_rooms(masks, chosen, spans), 0), chosen, takes

    def _kits(self, part: Part, taken: Taken) -> Iterator[tuple[Cost, dict[str, UUID], Taken]]:
        group = part.group
        blocks = group.layout.kit_blocks
        if not blocks:
            yield (0, 0), {}, {}
            return
        masks = group.masks
        kits = tuple(_busier_kit(kit, taken) for kit in masks.question.kits)
        way = masks.question.way_back
        if way.capacity and taken.get(_BATH):
            way = replace(way, soaking=(*way.soaking, *taken[_BATH]))
        if way is not masks.question.way_back or _changed(kits, masks.question.kits):
            group = _with(group, replace(masks.question, kits=kits, way_back=way))
        able = [
            sorted(kit for kit, mask in of_kind.items() if mask & part.bit)
            for of_kind in group.kits.values()
        ]
        spans = [_span(part.start, block) for block in blocks.values()]
        back = [way.of(span.end, len(blocks)) if way.is_planned else None for span in spans]
        soaking = [Period(b.soaks_at, b.lifted_at) for b in back if b and b.soaks_at < b.lifted_at]
        ends = [b.back_at if b else span.end for b, span in zip(back, spans, strict=True)]
        for n, chosen in enumerate(product(*able)):
            takes = {
                kit: [Period(span.start, end)]
                for kit, span, end in zip(chosen, spans, ends, strict=True)
            }
            # In the order of their ids, as a single visit has them.
            yield (0, n), dict(zip(blocks, chosen, strict=True)), takes | {_BATH: soaking}

    def _people(
        self, part: Part, taken: Taken
    ) -> Iterator[tuple[Cost, tuple[Choice, Jobs], Taken]]:
        own = part.group
        question = own.masks.question
        group, masks = own, own.masks
        practitioners = tuple(_busier(p, taken) for p in question.practitioners)
        attendants = tuple(_busier_attendant(a, taken) for a in question.attendants)
        # The same tuple, where nobody in it is busier: what was worked out with it holds.
        if not _changed(attendants, question.attendants):
            attendants = question.attendants
        if _changed(practitioners, question.practitioners) or attendants is not question.attendants:
            group = _with(
                own, replace(question, practitioners=practitioners, attendants=attendants)
            )
            masks = group.masks
        spans = group.layout.at(part.start)
        jobs = jobs_at(masks, group, part.bit)
        for crew in group.crews_at(part.bit):
            takes: Taken = {
                who: taken_of(group, crew, masks.practitioners[who], spans, jobs)
                for who in dict.fromkeys(crew)
            }
            for (_, block), who in zip(group.layout.jobs, jobs, strict=True):
                if who is not None and who not in crew:
                    takes.setdefault(who, []).append(_span(part.start, block))
            # What it leaves is asked beside what is taken already, whoever of the others is next to it.
            wasted = wasted_by_crew(own.masks, own, crew, spans, jobs)
            yield (wasted, question.usual_practitioner_id not in crew), (crew, tuple(jobs)), takes

    def _option(
        self, part: Part, people: tuple[Choice, Jobs], rooms: Choice, kits: dict[str, UUID]
    ) -> Option:
        crew, jobs = people
        spans = part.group.layout.at(part.start)
        masks = part.group.masks
        return Option(
            lines=option_lines(part.group, crew, rooms, kits, spans, jobs),
            waste_minutes=wasted_in_rooms(masks, rooms, spans)
            + wasted_by_crew(masks, part.group, crew, spans, jobs),
            is_usual=masks.question.usual_practitioner_id in crew,
        )


def _feasible(group: Group, *, first: bool) -> int:
    """The starts at which this form is not ruled out, whatever the others take.

    Attendants are sent by their number: who has none left because the first were sent to two places
    at once may have one once those are with the others.
    """
    if first or not group.masks.question.attendants:
        return group.feasible
    masks = group.masks
    people = [
        {
            who: masks.all(
                masks.fits(masks.practitioners[who], masks.practitioners[who].busy,
                           masks.practitioners[who].on_shift, block)
                for block in group.layout.crew_blocks(slot)
            )
            for who in able
        }
        for slot, able in enumerate(group.crews.slots)
    ]  # fmt: skip
    found = masks.in_period & group.screened & group.is_open & group.client
    found = found and found & group.some_room & group.some_kits
    return found and some_of(found, people)


def _changed(now: Sequence[object], before: Sequence[object]) -> bool:
    return any(a is not b for a, b in zip(now, before, strict=True))


#: Nobody's id: what the kits of the link lie in.
_BATH = UUID(int=0)


def _span(start: datetime, block: tuple[int, int]) -> Period:
    return Period(start + block[0] * MINUTE, start + block[1] * MINUTE)


def _joined(one: Taken, other: Taken) -> Taken:
    found = dict(one)
    for who, spans in other.items():
        found[who] = [*found.get(who, ()), *spans]
    return found


def _clash(one: Taken, other: Taken) -> bool:
    return any(
        a.overlaps(b) for who, spans in one.items() for a in spans for b in other.get(who, ())
    )


def _with(group: Group, question: Question) -> Group:
    """The same form of a changed question; what did not change is not worked out again."""
    return replace(group, masks=Masks(question=question, kept=dict(group.masks.kept)))


def _busier(person: Practitioner, taken: Taken) -> Practitioner:
    if not taken.get(person.id):
        return person
    return replace(person, busy=also_taken(person.busy, taken[person.id]))


def _busier_attendant(person: Attendant, taken: Taken) -> Attendant:
    if not taken.get(person.id):
        return person
    return replace(person, busy=also_taken(person.busy, taken[person.id]))


def _busier_kit(kit: Kit, taken: Taken) -> Kit:
    return replace(kit, busy=also_taken(kit.busy, taken[kit.id])) if taken.get(kit.id) else kit
