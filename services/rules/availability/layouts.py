"""What a visit may look like: the order of its lines, who does them, in which room, and so when each part is.

When is asked of `phases.spans_of`, the rule that booking plans by.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import combinations, permutations, product
from uuid import UUID

from services.rules.availability.bits import MINUTE
from services.rules.availability.model import MOST_CREWS, Question, WantedLine
from services.rules.buffers import Buffer
from services.rules.phases import LinePlan, LineSpans, Minutes, spans_of

_START = datetime(2000, 1, 1, tzinfo=UTC)
Choice = tuple[UUID, ...]
Pattern = tuple[int, ...]
Block = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A visit from minute 0, when the client comes: `lines` in their order, all parts of each.

    `crew` and `rooms` say which lines share a practitioner and a room, not who and which.
    """

    lines: tuple[WantedLine, ...]
    crew: Pattern
    rooms: Pattern
    spans: tuple[LineSpans, ...]

    @cached_property
    def services(self) -> tuple[Block, ...]:
        """While the client is there, by line."""
        return tuple((_minute(s.starts_at), _minute(s.ends_at)) for s in self.spans)

    @cached_property
    def attended(self) -> tuple[tuple[Block, ...], ...]:
        """While the practitioner is with the client, by line."""
        return tuple(
            tuple((_minute(p.start), _minute(p.end)) for p in s.attended) for s in self.spans
        )

    @cached_property
    def wholes(self) -> tuple[Block, ...]:
        """From set-up to turnover, by line."""
        return tuple((_minute(s.set_up_at), _minute(s.turnover_ends_at)) for s in self.spans)

    @cached_property
    def jobs(self) -> tuple[tuple[int, Block], ...]:
        """(line, span) of each set-up and turnover, which an attendant may do."""
        found = []
        for i, ((first, last), (comes, goes)) in enumerate(
            zip(self.wholes, self.services, strict=True)
        ):
            found += [(i, (first, comes))] if first < comes else []
            found += [(i, (goes, last))] if goes < last else []
        return tuple(found)

    @cached_property
    def clashing(self) -> tuple[tuple[int, int], ...]:
        """Jobs at one time: one person can't do both."""
        pairs = combinations(range(len(self.jobs)), 2)
        return tuple((i, j) for i, j in pairs if overlap(self.jobs[i][1], self.jobs[j][1]))

    @cached_property
    def beside(self) -> tuple[tuple[int, int], ...]:
        """(job, line) at one time: who does the line can't do the job."""
        return tuple(
            (i, at)
            for i, (_, block) in enumerate(self.jobs)
            for at, blocks in enumerate(self.attended)
            if any(overlap(block, own) for own in blocks)
        )

    @cached_property
    def kit_blocks(self) -> dict[str, Block]:
        """For each kind of kit the span for which one serves all its lines."""
        found: dict[str, Block] = {}
        for line, (first, last) in zip(self.lines, self.wholes, strict=True):
            if line.kit_kind:
                a, b = found.get(line.kit_kind, (first, last))
                found[line.kit_kind] = (min(a, first), max(b, last))
        return found

    def room_blocks(self, slot: int) -> list[Block]:
        """The spans for which a room is taken, lines that follow each other in it made one."""
        return _merged(b for b, s in zip(self.wholes, self.rooms, strict=True) if s == slot)

    def crew_blocks(self, slot: int) -> list[Block]:
        """While a practitioner is with the client, lines that follow each other made one."""
        return _merged(
            block
            for blocks, s in zip(self.attended, self.crew, strict=True)
            for block in blocks
            if s == slot
        )

    @cached_property
    def needs_a_room_twice(self) -> bool:
        """Whether a room would have to be turned over and set up at once."""
        blocks = list(zip(self.rooms, self.wholes, strict=True))
        return any(
            slot == other and overlap(a, b)
            for i, (slot, a) in enumerate(blocks)
            for other, b in blocks[i + 1 :]
        )

    def at(self, start: datetime) -> list[LineSpans]:
        """All spans, for a client who comes at `start`."""
        by = start - _START
        return [moved(span, by) for span in self.spans]


def moved(span: LineSpans, by: timedelta) -> LineSpans:
    """The same line at another time."""
    return LineSpans(
        set_up_at=span.set_up_at + by,
        starts_at=span.starts_at + by,
        hands_on_at=span.hands_on_at + by,
        aftercare_at=span.aftercare_at + by,
        ends_at=span.ends_at + by,
        turnover_ends_at=span.turnover_ends_at + by,
        unattended_at=None if span.unattended_at is None else span.unattended_at + by,
    )


def _merged(blocks: Iterable[Block]) -> list[Block]:
    found: list[Block] = []
    for first, end in blocks:
        if found and first == found[-1][1]:
            found[-1] = (found[-1][0], end)
        else:
            found.append((first, end))
    return found


def widened(blocks: Sequence[Block], buffer: Buffer) -> list[Block]:
    """Blocks in order of time, with what is kept free before the first and behind the last."""
    found = list(blocks)
    found[0] = (found[0][0] - buffer.before, found[0][1])
    found[-1] = (found[-1][0], found[-1][1] + buffer.after)
    return found


def overlap(one: Block, other: Block) -> bool:
    return one[0] < other[1] and other[0] < one[1]


def _minute(at: datetime) -> int:
    return (at - _START) // MINUTE


def pattern_of(chosen: Choice) -> Pattern:
    """Which places hold the same: (a, a, b) is (0, 0, 1)."""
    known: dict[UUID, int] = {}
    return tuple(known.setdefault(one, len(known)) for one in chosen)


def layout_of(lines: Sequence[WantedLine], crew: Pattern, rooms: Pattern) -> Layout:
    plans = [
        LinePlan(
            minutes=line.minutes,
            practitioner_id=UUID(int=who),
            room_id=UUID(int=where),
            starts_at=_START if i == 0 else None,
        )
        for i, (line, who, where) in enumerate(zip(lines, crew, rooms, strict=True))
    ]
    return Layout(lines=tuple(lines), crew=crew, rooms=rooms, spans=tuple(spans_of(plans)))


def orders_of(question: Question) -> list[tuple[WantedLine, ...]]:
    """The lines as asked, and then in every other order that may be if any will do."""
    if not question.any_order:
        return [question.lines]
    # Equal lines change places to no effect; a mapping in them cannot be hashed.
    found: list[tuple[WantedLine, ...]] = []
    for order in permutations(range(len(question.lines))):
        if any(pair in question.not_before for pair in combinations(order, 2)):
            continue
        lines = tuple(question.lines[n] for n in order)
        if lines not in found:
            found.append(lines)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Choices of one pattern: for each of its places who may take it, and never one in two places."""

    pattern: Pattern
    slots: tuple[tuple[UUID, ...], ...]

    @property
    def choices(self) -> Iterator[Choice]:
        """Line by line who or which."""
        for chosen in product(*self.slots):
            if len(set(chosen)) == len(chosen):
                yield self.choice(chosen)

    def choice(self, chosen: Sequence[UUID]) -> Choice:
        """Line by line, of one for each place."""
        return tuple(chosen[slot] for slot in self.pattern)


def crews_of(question: Question, lines: Sequence[WantedLine]) -> list[list[Places]]:
    """Who may do the lines: first one for all, then two one after the other. Better tiers first.

    Who needs other minutes for one of them is in other places: those are another layout.
    """
    able = able_people(question, lines)
    if not any(line.own_minutes for line in lines):
        return list(_tiers(able))
    return [[part for p in tier for part in _by_minutes(p, lines)] for tier in _tiers(able)]


def able_people(question: Question, lines: Sequence[WantedLine]) -> list[frozenset[UUID]]:
    """For each line who has its skill, of those who are asked for."""
    return [
        frozenset(
            p.id for p in question.practitioners
            if line.practitioner_id in {None, p.id} and p.covers.get(line.service_id)
        )
        for line in lines
    ]  # fmt: skip


def able_rooms(question: Question, lines: Sequence[WantedLine]) -> list[frozenset[UUID]]:
    """For each line which rooms have what it needs, of those that are asked for."""
    return [
        frozenset(
            r.id for r in question.rooms
            if line.room_id in {None, r.id} and line.room_features <= r.features
        )
        for line in lines
    ]  # fmt: skip


def _by_minutes(places: Places, lines: Sequence[WantedLine]) -> Iterator[Places]:
    classes = []
    for slot, able in enumerate(places.slots):
        alike: dict[tuple[Minutes, ...], list[UUID]] = {}
        for who in able:
            own = (x for x, s in zip(lines, places.pattern, strict=True) if s == slot)
            alike.setdefault(tuple(line.minutes_of(who) for line in own), []).append(who)
        classes.append([tuple(some) for some in alike.values()])
    for slots in product(*classes):
        found = Places(pattern=places.pattern, slots=slots)
        if any(True for _ in found.choices):
            yield found


def with_minutes(lines: Sequence[WantedLine], crews: Places) -> tuple[WantedLine, ...]:
    """The lines as long as these practitioners need."""
    return tuple(
        replace(line, minutes=line.minutes_of(crews.slots[slot][0]), own_minutes={})
        for line, slot in zip(lines, crews.pattern, strict=True)
    )


def rooms_of(question: Question, lines: Sequence[WantedLine]) -> list[Places]:
    """Where: in one room if one has everything, else in two. Only the fewest rooms are offered."""
    return next((tier for tier in _tiers(able_rooms(question, lines)) if tier), [])


def _tiers(able: Sequence[frozenset[UUID]]) -> Iterator[list[Places]]:
    many = len(able)
    every = frozenset.intersection(*able)
    one = [Places(pattern=(0,) * many, slots=(tuple(sorted(every)),))] if every else []
    yield one
    two = []
    for at in range(1, many):
        former, latter = frozenset.intersection(*able[:at]), frozenset.intersection(*able[at:])
        if former and latter and len(former | latter) > 1:
            slots = (tuple(sorted(former)), tuple(sorted(latter)))
            two.append(Places(pattern=(0,) * at + (1,) * (many - at), slots=slots))
    yield two
    if not one and not two and all(len(each) == 1 for each in able):
        # Named line by line, or nobody else can: as asked, if that is not more than two people.
        (chosen,) = product(*able)
        few = tuple(dict.fromkeys(chosen))
        named = Places(pattern=pattern_of(chosen), slots=tuple((who,) for who in few))
        yield [named] if len(few) <= MOST_CREWS else []
