"""What the day's visits may become, and what is proposed. Values only.

Minutes count from one origin for all. A mask is an integer whose bit n stands for minute n.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from uuid import UUID

Block = tuple[int, int]


class Part(StrEnum):
    """What a place in a visit is for."""

    PRACTITIONER = "practitioner"
    ROOM = "room"
    KIT = "kit"
    CLIENT = "client"
    #: A set-up or turnover, by whom the plan names.
    JOB = "job"


@dataclass(frozen=True, slots=True, kw_only=True)
class Soak:
    """How one of a visit's kits comes back: so many minutes before the bath at least, in it, and behind it."""

    before: int
    contact: int
    behind: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One part of a visit that one person or thing takes.

    `blocks` are the minutes it is taken for, from the visit's start; `able` says who or what can, at
    which starts, as far as everything that stays is concerned. `kept` is who or what has it now, by
    line. A job may also be done by who takes the place `own`, at the starts in `own_able`; what that
    one keeps free besides (`own_free`) lies outside the job if they do it, and where somebody else
    does it outside what is left of their part (`helped_free`, at the starts in `helped_able`).
    A kit with `soak` is taken until it is back: how long it waits for the bath is for the plan to say.
    """

    part: Part
    blocks: tuple[Block, ...]
    able: Mapping[UUID, int]
    own: int | None = None
    own_able: Mapping[UUID, int] | None = None
    own_free: tuple[Block, ...] = ()
    helped_free: tuple[Block, ...] = ()
    helped_able: Mapping[UUID, int] | None = None
    kept: tuple[UUID, ...] = ()
    soak: Soak | None = None

    def others(self, taker: UUID) -> int:
        """For how many lines this would be somebody or something else than now."""
        return sum(taker != one for one in self.kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One way to do a visit: the starts that hours, screening and the client leave, and its places.

    No two places of one set in `different` are taken by the same. `stays`: the plan as it is.
    """

    starts: int
    places: tuple[Place, ...]
    different: tuple[frozenset[int], ...] = ()
    stays: bool = False

    @property
    def soaks(self) -> tuple[tuple[int, Soak], ...]:
        """(place by number, way back) of each kit that goes into the bath anew."""
        return tuple((n, p.soak) for n, p in enumerate(self.places) if p.soak is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Movable:
    """A booked visit that may move; `start` is when it is planned now.

    Without a new place it is left as it is, for people to settle: it goes on taking `left`, which
    is (who or what, from, until). `soaking` is when its kits lie in the bath if it is left or stays.
    """

    id: UUID
    start: int
    shapes: tuple[Shape, ...]
    left: tuple[tuple[UUID, int, int], ...] = ()
    soaking: tuple[Block, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a visit is put: its shape by number, its start, and who or what takes each place.

    `soaks`: the minute at which each of its shape's `soaks` goes into the bath.
    """

    shape: int
    start: int
    takers: tuple[UUID, ...]
    soaks: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, order=True)
class Cost:
    """What a proposal asks of people, in the order in which it is kept low.

    Visits left without a place, clients who come at another time, by how many minutes in all, lines
    with another practitioner, lines in another room and other kits.
    """

    without_place: int = 0
    moved: int = 0
    minutes: int = 0
    other_practitioners: int = 0
    other_things: int = 0

    def __add__(self, other: "Cost") -> "Cost":
        return Cost(
            self.without_place + other.without_place,
            self.moved + other.moved,
            self.minutes + other.minutes,
            self.other_practitioners + other.other_practitioners,
            self.other_things + other.other_things,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The place of each visit, None for those without one; `is_best`: nothing can cost less."""

    placed: Mapping[UUID, Placed | None]
    cost: Cost
    is_best: bool


def cost_of(visit: Movable, placed: Placed | None) -> Cost:
    """What one visit's place asks."""
    if placed is None:
        return Cost(without_place=1)
    away = abs(placed.start - visit.start)
    places = visit.shapes[placed.shape].places
    people = things = 0
    for place, taker in zip(places, placed.takers, strict=True):
        if place.part is Part.PRACTITIONER:
            people += place.others(taker)
        else:
            things += place.others(taker)
    return Cost(moved=int(away > 0), minutes=away, other_practitioners=people, other_things=things)


def taken(visit: Movable, placed: Placed | None) -> list[tuple[UUID, int, int]]:
    """(who or what, from, until) of everything a visit takes."""
    if placed is None:
        return list(visit.left)
    shape = visit.shapes[placed.shape]
    back = {
        n: into + soak.contact + soak.behind - placed.start
        for (n, soak), into in zip(shape.soaks, placed.soaks, strict=True)
    }
    found = []
    for n, (place, taker) in enumerate(zip(shape.places, placed.takers, strict=True)):
        found += [(taker, (first, back.get(n, end))) for first, end in place.blocks]
        if place.own is not None:
            owner = placed.takers[place.own]
            free = place.own_free if owner == taker else place.helped_free
            found += [(owner, block) for block in free]
    return [(who, placed.start + first, placed.start + end) for who, (first, end) in found]


def is_allowed(visit: Movable, placed: Placed) -> bool:
    """Whether a place keeps every rule of its own visit, other visits left aside."""
    shape, bit = visit.shapes[placed.shape], 1 << placed.start
    if not shape.starts & bit:
        return False
    for place, taker in zip(shape.places, placed.takers, strict=True):
        able = place.able.get(taker, 0)
        owner = None if place.own is None else placed.takers[place.own]
        if owner is not None and owner == taker:
            able = (place.own_able or {}).get(taker, 0)
        elif owner is not None and place.helped_able is not None:
            able &= place.helped_able.get(owner, 0)
        if not able & bit:
            return False
    if any(
        len({placed.takers[i] for i in together}) < len(together) for together in shape.different
    ):
        return False
    for (n, soak), into in zip(shape.soaks, placed.soaks, strict=True):
        if into < placed.start + shape.places[n].blocks[-1][1] + soak.before:
            return False
    spans = sorted(taken(visit, placed))
    return all(a[0] != b[0] or a[2] <= b[1] for a, b in pairwise(spans))
