"""Every start that works, each in its best form, in the order in which the desk would offer them."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

from services.rules.availability.bits import MINUTE, either, first_bit
from services.rules.availability.layouts import Choice
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import Option, OptionLine, Practitioner, Question, Room
from services.rules.phases import LineSpans
from spa_ops.kernel.intervals import Period


def options(question: Question, limit: int, masks: Masks | None = None) -> list[Option]:
    """The first `limit` starts that work, by time; exactly those that `booking.book_visit` would accept
    within opening hours.

    One start is offered once: with one practitioner if that works then, and among those who and
    where with the least waste, then with the usual practitioner, then in the order asked, then by id.
    """
    masks = masks or Masks(question=question)
    rest = either(group.feasible for group in masks.groups)
    found: list[Option] = []
    while len(found) < limit and (minute := first_bit(rest)) is not None:
        found.append(_best(masks, minute))
        rest &= rest - 1
    return found


def earliest(masks: Masks) -> datetime | None:
    """The first start that works."""
    minute = first_bit(either(group.feasible for group in masks.groups))
    return None if minute is None else masks.ruler.at(minute)


def _best(masks: Masks, minute: int) -> Option:
    bit = 1 << minute
    able = [group for group in masks.groups if group.feasible & bit]
    tier = min(group.tier for group in able)
    found = [_in_group(masks, group, bit) for group in able if group.tier == tier]
    return min(found, key=lambda pair: pair[0])[1]


def _in_group(masks: Masks, group: Group, bit: int) -> tuple[tuple[object, ...], Option]:
    spans = group.layout.at(masks.ruler.at(bit.bit_length() - 1))
    jobs = jobs_at(masks, group, bit)
    usual = masks.question.usual_practitioner_id

    def room_key(chosen: Choice) -> tuple[int, Choice]:
        return wasted_in_rooms(masks, chosen, spans), chosen

    def crew_key(crew: Choice) -> tuple[int, bool, Choice]:
        return wasted_by_crew(masks, group, crew, spans, jobs), usual not in crew, crew

    crew_waste, unusual, crew = min(map(crew_key, group.crews_at(bit)))
    room_waste, rooms = min(map(room_key, group.rooms_at(bit)))
    kits = {
        kind: min(kit for kit, mask in of_kind.items() if mask & bit)
        for kind, of_kind in group.kits.items()
    }
    wasted = crew_waste + room_waste
    option = Option(
        lines=option_lines(group, crew, rooms, kits, spans, jobs),
        waste_minutes=wasted,
        is_usual=not unusual,
    )
    return (wasted, unusual, group.order, crew, rooms), option


def jobs_at(masks: Masks, group: Group, bit: int) -> list[UUID | None]:
    """Which attendant does each set-up and turnover at one start; None: the line's own practitioner."""
    return [
        next((who for who, mask in masks.attended(block).items() if mask & bit), None)
        for _, block in group.layout.jobs
    ]


def wasted_in_rooms(masks: Masks, chosen: Choice, spans: Sequence[LineSpans]) -> int:
    """Minutes left beside the visit in its rooms that are too short to sell."""
    return sum(
        masks.gaps.wasted(masks.rooms[r].busy, None, *_reach(spans, chosen, masks.rooms[r]))
        for r in dict.fromkeys(chosen)
    )


def wasted_by_crew(
    masks: Masks,
    group: Group,
    crew: Choice,
    spans: Sequence[LineSpans],
    jobs: Sequence[UUID | None],
) -> int:
    """The same in its practitioners' time."""
    wasted = 0
    for who in dict.fromkeys(crew):
        person = masks.practitioners[who]
        own = taken_of(group, crew, person, spans, jobs)
        first, end = min(p.start for p in own), max(p.end for p in own)
        wasted += masks.gaps.wasted(person.busy, person.on_shift, first, end)
    return wasted


def option_lines(
    group: Group,
    crew: Choice,
    rooms: Choice,
    kits: Mapping[str, UUID],
    spans: Sequence[LineSpans],
    jobs: Sequence[UUID | None],
) -> tuple[OptionLine, ...]:
    """The lines of an option of just these."""
    by = {
        (line, block[0] < group.layout.services[line][0]): who
        for (line, block), who in zip(group.layout.jobs, jobs, strict=True)
    }
    return tuple(
        OptionLine(
            service_id=line.service_id,
            practitioner_id=crew[i],
            room_id=rooms[i],
            kit_id=kits.get(line.kit_kind),
            set_up_by=by.get((i, True)) or crew[i],
            turnover_by=by.get((i, False)) or crew[i],
            spans=spans[i],
        )
        for i, line in enumerate(group.layout.lines)
    )


def _reach(spans: Sequence[LineSpans], chosen: Choice, room: Room) -> tuple[datetime, datetime]:
    """From the first to the last minute that the visit takes of a room, what is kept free with it."""
    own = [span for span, r in zip(spans, chosen, strict=True) if r == room.id]
    return (
        own[0].set_up_at - room.buffer.before * MINUTE,
        own[-1].turnover_ends_at + room.buffer.after * MINUTE,
    )


def taken_of(
    group: Group,
    crew: Choice,
    person: Practitioner,
    spans: Sequence[LineSpans],
    jobs: Sequence[UUID | None],
) -> list[Period]:
    """What the visit takes of one of its practitioners, what is kept free with it."""
    origin, who = spans[0].starts_at, person.id
    own = [part for s, one in zip(spans, crew, strict=True) if one == who for part in s.attended]
    helping: list[Period] = []
    for (line, (first, end)), attendant in zip(group.layout.jobs, jobs, strict=True):
        if (attendant or crew[line]) == who:
            of = own if crew[line] == who else helping
            of.append(Period(origin + first * MINUTE, origin + end * MINUTE))
    return [*own, *person.buffer.around(own), *helping]
