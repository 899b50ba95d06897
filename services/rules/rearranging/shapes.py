"""The ways a visit could be done, from what the search for starts knows of it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from uuid import UUID

from services.rules.availability.bits import MINUTE, ahead
from services.rules.availability.layouts import Block, Layout, widened
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import Practitioner, Room
from services.rules.buffers import Buffer
from services.rules.kits import WayBack
from services.rules.rearranging.model import Part, Place, Shape, Soak


def shapes_of(
    masks: Masks, *, origin: datetime, client_id: UUID, now_by: Sequence[Sequence[UUID]]
) -> list[tuple[Shape, Group]]:
    """Every way to do the visit that `masks` is about, each with the layout it is of.

    Minutes count from `origin`, a whole minute. What is taken by visits that may move themselves must
    not be in the question. `now_by` has the practitioner, the room and the kits of each line today.
    """
    by = (masks.ruler.origin - origin) // MINUTE
    return [(_shape(group, by, client_id, now_by), group) for group in masks.groups]


def _shape(group: Group, by: int, client_id: UUID, now_by: Sequence[Sequence[UUID]]) -> Shape:
    masks, layout = group.masks, group.layout

    def since(able: Mapping[UUID, int]) -> dict[UUID, int]:
        return {one: ahead(mask, -by) for one, mask in able.items() if mask}

    widest = [_widest(masks.practitioners[who] for who in able) for able in group.crews.slots]
    crew = [
        Place(
            part=Part.PRACTITIONER,
            blocks=(*layout.crew_blocks(slot), *_around(layout, slot, widest[slot])),
            able=since({who: _serving(group, slot, who, widest[slot]) for who in able}),
            kept=_kept(layout.crew, slot, now_by, 0),
        )
        for slot, able in enumerate(group.crews.slots)
    ]
    rooms = [
        Place(
            part=Part.ROOM,
            blocks=tuple(
                widened(layout.room_blocks(slot), _widest(masks.rooms[room] for room in able))
            ),
            able=since(able),
            kept=_kept(layout.rooms, slot, now_by, 1),
        )
        for slot, able in enumerate(group.rooms)
    ]
    way, many = masks.question.way_back, len(layout.kit_blocks)
    # Who may have to wait for the bath is away for as long as the plan says, else always as long.
    away = 0 if way.waits else way.least(many)
    kits = [
        Place(
            part=Part.KIT,
            blocks=((layout.kit_blocks[kind][0], layout.kit_blocks[kind][1] + away),),
            able=since(able),
            kept=_kept_kit(layout, kind, now_by),
            soak=_soak(way, many) if way.waits else None,
        )
        for kind, able in group.kits.items()
    ]
    client = Place(
        part=Part.CLIENT,
        blocks=layout.services,
        able={client_id: ahead(masks.ruler.everything, -by)},
    )
    jobs = [
        _job(group, line, block, widest[layout.crew[line]], since) for line, block in layout.jobs
    ]
    found = len(crew), len(crew) + len(rooms)
    return Shape(
        starts=ahead(masks.in_period & group.is_open & group.screened & group.client, -by),
        places=(*crew, *rooms, *kits, client, *jobs),
        different=(frozenset(range(found[0])), frozenset(range(*found))),
    )


def _soak(way: WayBack, kits: int) -> Soak:
    return Soak(before=way.wait + way.wash, contact=way.contact_of(kits), behind=way.rinse_and_dry)


def _widest(able: Iterable[Room | Practitioner]) -> Buffer:
    # Of several, one place has one length: the longest is safe for each.
    buffers = [one.buffer for one in able]
    return Buffer(
        before=max((b.before for b in buffers), default=0),
        after=max((b.after for b in buffers), default=0),
    )


Since = Callable[[Mapping[UUID, int]], dict[UUID, int]]


def _job(group: Group, line: int, block: Block, buffer: Buffer, since: Since) -> Place:
    """A set-up or turnover, by an attendant or by the line's own practitioner.

    A practitioner keeps free what lies outside all that they do themselves: before the set-up if they
    do it, else before the client comes; and so behind the turnover.
    """
    masks, layout = group.masks, group.layout
    slot = layout.crew[line]
    comes, goes = _part(layout, slot)
    own: list[Block] = []
    helped: list[Block] = []
    if block[1] <= comes:
        own.append((block[0] - buffer.before, block[0]))
        helped.append((comes - buffer.before, comes))
    if block[0] >= goes:
        own.append((block[1], block[1] + buffer.after))
        helped.append((goes, goes + buffer.after))
    by_attendants = _free(masks.question.attendants, masks, block)
    people = [masks.practitioners[who] for who in group.crews.slots[slot]]
    alone = _free(people, masks, block)
    return Place(
        part=Part.JOB,
        blocks=(block,),
        able=since(by_attendants),
        own=slot,
        own_able=since(
            {
                p.id: (alone[p.id] | by_attendants.get(p.id, 0)) & _idle(masks, p, own)
                for p in people
            }
        ),
        own_free=_some(own),
        helped_free=_some(helped),
        helped_able=since({p.id: _idle(masks, p, helped) for p in people}),
    )


def _part(layout: Layout, slot: int) -> Block:
    """From when to when a practitioner is with the client."""
    blocks = layout.crew_blocks(slot)
    return min(a for a, _ in blocks), max(b for _, b in blocks)


def _around(layout: Layout, slot: int, buffer: Buffer) -> tuple[Block, ...]:
    """What is kept free around a practitioner's part where no set-up or turnover is next to it."""
    comes, goes = _part(layout, slot)
    jobs = [block for line, block in layout.jobs if layout.crew[line] == slot]
    found = []
    if not any(block[1] <= comes for block in jobs):
        found.append((comes - buffer.before, comes))
    if not any(block[0] >= goes for block in jobs):
        found.append((goes, goes + buffer.after))
    return _some(found)


def _some(blocks: Iterable[Block]) -> tuple[Block, ...]:
    return tuple(block for block in blocks if block[0] < block[1])


def _idle(masks: Masks, person: Practitioner, blocks: Iterable[Block]) -> int:
    # Nobody needs to be on shift for what is only kept free.
    return masks.all(masks.fits(person, person.busy, None, block) for block in _some(blocks))


def _serving(group: Group, slot: int, who: UUID, buffer: Buffer) -> int:
    """When a practitioner could be with the client, whoever sets up and turns over."""
    masks, layout = group.masks, group.layout
    person = masks.practitioners[who]
    found = masks.all(
        masks.fits(person, person.busy, person.on_shift, block)
        for block in layout.crew_blocks(slot)
    )
    for line, (comes, _), of in zip(layout.lines, layout.services, layout.crew, strict=True):
        if of == slot:
            found &= ahead(masks.inside(person.covers[line.service_id]), comes)
    return found & _idle(masks, person, _around(layout, slot, buffer))


def _free(people: Sequence[object], masks: Masks, block: Block) -> dict[UUID, int]:
    return {p.id: masks.fits(p, p.busy, p.on_shift, block) for p in people}  # type: ignore[attr-defined]


def _kept(
    pattern: Sequence[int], slot: int, now_by: Sequence[Sequence[UUID]], which: int
) -> tuple[UUID, ...]:
    return tuple(now_by[line][which] for line, of in enumerate(pattern) if of == slot)


def _kept_kit(layout: Layout, kind: str, now_by: Sequence[Sequence[UUID]]) -> tuple[UUID, ...]:
    kits = [
        kit
        for line, (_, _, *own) in zip(layout.lines, now_by, strict=True)
        if line.kit_kind == kind
        for kit in own
    ]
    return tuple(dict.fromkeys(kits))
