"""The ways a visit could be done, from what the search for starts knows of it."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from uuid import UUID

from services.rules.availability.bits import MINUTE, ahead
from services.rules.availability.layouts import Block, Layout, widened
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import Practitioner, Room
from services.rules.buffers import Buffer
from services.rules.rearranging.model import Part, Place, Shape


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

    crew = [
        Place(
            part=Part.PRACTITIONER,
            blocks=_with_kept_free(layout, slot, _widest(masks.practitioners[who] for who in able)),
            able=since({who: _serving(group, slot, who) for who in able}),
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
    kits = [
        Place(
            part=Part.KIT,
            blocks=(layout.kit_blocks[kind],),
            able=since(able),
            kept=_kept_kit(layout, kind, now_by),
        )
        for kind, able in group.kits.items()
    ]
    client = Place(
        part=Part.CLIENT,
        blocks=layout.services,
        able={client_id: ahead(masks.ruler.everything, -by)},
    )
    jobs = [
        Place(
            part=Part.JOB,
            blocks=(block,),
            able=since(_free(masks.question.attendants, masks, block)),
            own=layout.crew[line],
            own_able=since(_free(masks.question.practitioners, masks, block)),
        )
        for line, block in layout.jobs
    ]
    found = len(crew), len(crew) + len(rooms)
    return Shape(
        starts=ahead(masks.in_period & group.is_open & group.screened & group.client, -by),
        places=(*crew, *rooms, *kits, client, *jobs),
        different=(frozenset(range(found[0])), frozenset(range(*found))),
    )


def _widest(able: Iterable[Room | Practitioner]) -> Buffer:
    # Of several, one place has one length: the longest is safe for each.
    buffers = [one.buffer for one in able]
    return Buffer(
        before=max((b.before for b in buffers), default=0),
        after=max((b.after for b in buffers), default=0),
    )


def _with_kept_free(layout: Layout, slot: int, buffer: Buffer) -> tuple[Block, ...]:
    """While a practitioner is with the client, and what is kept free around what they do themselves."""
    own = layout.crew_blocks(slot)
    jobs = [block for line, block in layout.jobs if layout.crew[line] == slot]
    first, end = min(a for a, _ in (*own, *jobs)), max(b for _, b in (*own, *jobs))
    kept = ((first - buffer.before, first), (end, end + buffer.after))
    return (*own, *(block for block in kept if block[0] < block[1]))


def _serving(group: Group, slot: int, who: UUID) -> int:
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
    return found


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
