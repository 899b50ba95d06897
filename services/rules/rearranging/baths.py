"""The bath of a rearranged day: who lies in it when, whether all have a place, and how soon each can. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from uuid import UUID

from services.rules.rearranging.model import Block, Movable, Placed, Shape, Soak, taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Bath:
    """A location's soak solution, and what stays as it is of its kits.

    It takes `capacity` kits (0: any number), at the minutes `batches` only (None: at any). `soaking` is
    when kits of other visits lie in it, `busy` when kits are taken by others, both known up to `until`,
    by which a kit that moves must be back.
    """

    capacity: int = 0
    batches: tuple[int, ...] | None = None
    soaking: tuple[Block, ...] = ()
    busy: tuple[tuple[UUID, int, int], ...] = ()
    until: int = 0

    def needs(self, kits: int) -> int:
        """How many places one of so many kits of a visit must find free, since it waits for all of them."""
        return min(kits, self.capacity)


NO_BATH = Bath()


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying:
    """A kit in the bath. `needs`: the places that must be free for it; 0 for what was there before."""

    visit_id: UUID | None
    span: Block
    needs: int = 0


def in_bath(visit: Movable, placed: Placed | None, bath: Bath) -> list[Lying]:
    """When a visit's kits lie in the bath."""
    if placed is None or visit.shapes[placed.shape].stays:
        return [Lying(visit_id=visit.id, span=span) for span in visit.soaking]
    soaks = visit.shapes[placed.shape].soaks
    return [
        Lying(
            visit_id=visit.id, span=(into, into + soak.contact), needs=bath.needs(len(soaks))
        )
        for (_, soak), into in zip(soaks, placed.soaks, strict=True)
        if soak.contact
    ]  # fmt: skip


def have_place(lying: Sequence[Lying], bath: Bath) -> bool:
    """Whether each that goes in finds as many places as it needs, besides those of other visits.

    What was there before is not asked: a house may have said since that its bath takes fewer.
    """
    if not bath.capacity:
        return True
    return all(_has_place(one, lying, bath) for one in lying if one.needs)


def fit_together(
    visits: Sequence[Movable], placed: Mapping[UUID, Placed | None], bath: Bath
) -> bool:
    """Whether nobody and nothing is taken twice, and every kit has its place in the bath."""
    spans = sorted(span for v in visits for span in taken(v, placed[v.id]))
    lying = [Lying(visit_id=None, span=span) for span in bath.soaking]
    lying += [one for v in visits for one in in_bath(v, placed[v.id], bath)]
    return all(a[0] != b[0] or a[2] <= b[1] for a, b in pairwise(spans)) and have_place(lying, bath)


def _has_place(one: Lying, lying: Sequence[Lying], bath: Bath) -> bool:
    first, end = one.span
    others = [
        other.span
        for other in lying
        if other is not one
        and (other.visit_id is None or other.visit_id != one.visit_id)
        and other.span[0] < end
        and first < other.span[1]
    ]
    return _most_at_once(others) + one.needs <= bath.capacity


def _most_at_once(spans: Iterable[Block]) -> int:
    return max(accumulate(change for _, change in _changes(spans)), default=0)


def _changes(spans: Iterable[Block]) -> list[Block]:
    # What ends makes room first.
    return sorted(change for first, end in spans for change in ((first, 1), (end, -1)))


def overfull(spans: Iterable[Block], bath: Bath) -> list[Block]:
    """When more lie in the bath than it takes, as the day is planned: nothing more goes in then."""
    found: list[Block] = []
    changes = _changes(spans)
    for (at, _), (following, _), number in zip(
        changes, changes[1:], accumulate(change for _, change in changes), strict=False
    ):
        if bath.capacity and number > bath.capacity and at < following:
            found.append((at, following))
    return found


def beside(span: Block, crowds: Sequence[Block]) -> Iterator[Block]:
    """What is left of a span outside `crowds`, which are in order."""
    first, end = span
    for start, stop in crowds:
        if stop > first and start < end:
            if first < start:
                yield first, start
            first = max(first, stop)
    if first < end:
        yield first, end


def as_early_as_can_be(
    visits: Sequence[Movable], placed: Mapping[UUID, Placed | None], bath: Bath
) -> dict[UUID, Placed | None]:
    """The same places with each kit in the bath as soon as those before it leave it a place.

    Taken in the order in which they go in, none goes in later than it did: whoever was before it has
    come out no later either.
    """
    found = dict(placed)
    crowds = overfull(planned(visits, bath), bath)
    lying = [Lying(visit_id=None, span=span) for span in bath.soaking]
    moving = []
    for visit in visits:
        at = placed[visit.id]
        if at is None or visit.shapes[at.shape].stays:
            lying += in_bath(visit, at, bath)
        else:
            moving += [(into, n, visit, at) for n, into in enumerate(at.soaks)]
    for into, n, visit, at in sorted(moving, key=lambda each: (each[0], each[2].id, each[1])):
        shape = visit.shapes[at.shape]
        number, soak = shape.soaks[n]
        ready = at.start + shape.places[number].blocks[-1][1] + soak.before

        def lies(at: int, visit: Movable = visit, shape: Shape = shape, soak: Soak = soak) -> Lying:
            return Lying(
                visit_id=visit.id,
                span=(at, at + soak.contact),
                needs=bath.needs(len(shape.soaks)),
            )

        ends = {ready, *(one.span[1] for one in lying), *(end for _, end in crowds)}
        some = ends if bath.batches is None else bath.batches
        sooner = (
            minute
            for minute in sorted(some)
            if ready <= minute < into
            and not meets(lies(minute).span, crowds)
            and (not soak.contact or have_place([*lying, lies(minute)], bath))
        )
        into = next(sooner, into)
        lying += [lies(into)] if soak.contact else []
        now = found[visit.id]
        if now is not None:
            found[visit.id] = replace(now, soaks=(*now.soaks[:n], into, *now.soaks[n + 1 :]))
    return found


def meets(span: Block, spans: Sequence[Block]) -> bool:
    """Whether a span has a minute in common with one of these."""
    return any(first < span[1] and span[0] < end for first, end in spans)


def planned(visits: Sequence[Movable], bath: Bath) -> list[Block]:
    """When kits lie in the bath as the day is planned, whoever may move."""
    return [*bath.soaking, *(span for visit in visits for span in visit.soaking)]
