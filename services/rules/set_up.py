"""What is laid out for a visit: from its lines and what is known of the client to one list. Pure.

The entries themselves are data (`services/set_up`), each with its source. Where stock is kept one day
it goes by an item's `code` and `size`.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from clients.rules.areas import AreaTree


class WaxDrawing(StrEnum):
    """How wax comes from the pot to the skin without going back (trade-facts 3.05-3.08, 3.15, 3.16)."""

    NEW_EACH_DIP = "new_each_dip"
    DISINFECTED_EACH_DIP = "disinfected_each_dip"
    DECANTED_CUP = "decanted_cup"
    SQUEEZE_BOTTLE = "squeeze_bottle"


#: Asks for the most, and is allowed wherever a rule was read.
STRICTEST = WaxDrawing.NEW_EACH_DIP


class Count(StrEnum):
    """What an entry is counted by."""

    PER_VISIT = "per_visit"
    PER_ROOM = "per_room"
    PER_LINE = "per_line"
    PER_SECTION = "per_section"
    PER_APPLICATION = "per_application"
    KIT = "kit"
    PRODUCT = "product"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpSource:
    """Who says so, and how well that is known."""

    ref: str
    strength: str
    says: str
    fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instead:
    """What takes an item's place where a client declared an allergy."""

    variant: str
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing that may be on a list, and when. Without methods, areas or ways of drawing: always."""

    code: str
    title: str
    count: Count
    sources: tuple[SetUpSource, ...]
    amount: int = 1
    #: On top of the count, once for each size.
    spare: int = 0
    is_sized: bool = False
    #: Not used up: what one visit needs serves the next in that room.
    stays: bool = False
    by_practitioner: bool = False
    #: What those read who may not know what a client told.
    title_for_all: str = ""
    methods: frozenset[str] = frozenset()
    areas: frozenset[str] = frozenset()
    drawing: frozenset[WaxDrawing] = frozenset()
    may_hold: frozenset[str] = frozenset()
    #: allergy -> what takes its place
    instead: Mapping[str, Instead] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """An area that is worked in `sections`, with things of one size."""

    sections: int
    size: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpBook:
    """All entries in the order of laying out, and the usual numbers of the trade."""

    version: str
    language: str
    notice: str
    entries: tuple[Entry, ...]
    #: Each area's parts, those of the file itself or the file's that lie in it.
    parts: Mapping[str, tuple[Part, ...]]
    applications: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinProductFacts:
    """A product of the price list; `ingredients` None where nobody has read its label."""

    id: UUID
    name: str
    ingredients: frozenset[str] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineToSetUp:
    """A line of the visit that was not dropped."""

    area: str
    method: str
    room_id: UUID
    kit_id: UUID | None = None
    kit_name: str = ""
    products: tuple[SkinProductFacts, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Allergies:
    """What a client declared: code -> since when it is known here; `untold`: of an allergy to who knows what."""

    known: Mapping[str, datetime] = field(default_factory=dict)
    untold: datetime | None = None

    @property
    def any_since(self) -> datetime | None:
        """Since when it is known that there is one at all."""
        return min([*self.known.values(), *([self.untold] if self.untold else [])], default=None)


NOTHING_DECLARED = Allergies()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpItem:
    """One thing to lay out. `key` is what it is ticked by: the same whatever a client declared."""

    key: str
    code: str
    title: str
    count: int
    sources: tuple[SetUpSource, ...]
    size: str = ""
    stays: bool = False
    by_practitioner: bool = False
    variant: str = ""
    is_struck: bool = False
    must_check_label: bool = False
    #: The allergies that make it another, struck out or to be checked; `untold` for one not named.
    because: tuple[str, ...] = ()
    #: Since when that is known: what was laid out before does not count.
    since: datetime | None = None


UNTOLD = "not_named"


def way_of_drawing(chosen: WaxDrawing, allowed: Iterable[WaxDrawing]) -> WaxDrawing:
    """The house's own way where the jurisdiction allows it, else a new applicator for each dip."""
    return chosen if chosen in set(allowed) else STRICTEST


def set_up_list(
    book: SetUpBook,
    tree: AreaTree,
    lines: Sequence[LineToSetUp],
    *,
    drawing: WaxDrawing,
    allergies: Allergies = NOTHING_DECLARED,
) -> tuple[SetUpItem, ...]:
    """What these lines of one visit need, in the order of laying out; nothing for no lines.

    Whatever the order of the lines. One more line never takes anything off or lessens a count.
    """
    found: dict[str, SetUpItem] = {}
    for entry in book.entries:
        asking = [line for line in lines if _asks(entry, line, tree, drawing)]
        for item in _items(entry, asking, book):
            found.setdefault(item.key, _under(item, entry, asking, allergies))
    return tuple(found.values())


def _asks(entry: Entry, line: LineToSetUp, tree: AreaTree, drawing: WaxDrawing) -> bool:
    return (
        (not entry.methods or line.method in entry.methods)
        and (not entry.areas or bool(entry.areas & tree.touching[line.area]))
        and (not entry.drawing or drawing in entry.drawing)
    )


def _items(entry: Entry, lines: Sequence[LineToSetUp], book: SetUpBook) -> list[SetUpItem]:
    if entry.count is Count.KIT:
        kits = {x.kit_id: x.kit_name for x in lines if x.kit_id is not None}
        named = sorted(kits.items(), key=lambda kit: (kit[1], kit[0]))
        return [_item(entry, 1, key=f"{entry.code}:{i}", title=name) for i, name in named]
    if entry.count is Count.PRODUCT:
        names = {p.id: p.name for x in lines for p in x.products}
        listed = sorted(names.items(), key=lambda one: (one[1], one[0]))
        return [_item(entry, 1, key=f"{entry.code}:{i}", title=name) for i, name in listed]
    if not lines:
        return []
    counts: Counter[str] = Counter()
    for line in lines:
        for size, number in _asked_by(entry, line, book).items():
            counts[size] += number * entry.amount
    if entry.count is Count.PER_VISIT:
        counts = Counter(dict.fromkeys(counts, entry.amount))
    elif entry.count is Count.PER_ROOM:
        rooms = len({line.room_id for line in lines})
        counts = Counter(dict.fromkeys(counts, rooms * entry.amount))
    return [
        _item(entry, counts[size] + entry.spare, size=size)
        for size in ("", "small", "medium", "large")
        if size in counts
    ]


def _asked_by(entry: Entry, line: LineToSetUp, book: SetUpBook) -> Counter[str]:
    """How many one line asks for, by size."""
    found: Counter[str] = Counter()
    times = book.applications.get(line.method, 1) if entry.count is Count.PER_APPLICATION else 1
    for part in book.parts[line.area]:
        size = part.size if entry.is_sized else ""
        if entry.count in {Count.PER_SECTION, Count.PER_APPLICATION}:
            found[size] += part.sections * times
        else:
            found[size] = 1
    return found


def _item(entry: Entry, count: int, *, size: str = "", key: str = "", title: str = "") -> SetUpItem:
    return SetUpItem(
        key=key or (f"{entry.code}:{size}" if size else entry.code),
        code=entry.code,
        title=title or entry.title,
        count=count,
        size=size,
        sources=entry.sources,
        stays=entry.stays,
        by_practitioner=entry.by_practitioner,
    )


def _under(
    item: SetUpItem, entry: Entry, lines: Iterable[LineToSetUp], allergies: Allergies
) -> SetUpItem:
    """The item as what the client declared makes it."""
    if allergies.any_since is None:
        return item
    if entry.count is Count.PRODUCT:
        product = next(p for x in lines for p in x.products if item.key.endswith(str(p.id)))
        return _product_under(item, product, allergies)
    for allergy, other in sorted(entry.instead.items()):
        if allergy in allergies.known or allergies.untold:
            since = allergies.known.get(allergy, allergies.any_since)
            because = (allergy if allergy in allergies.known else UNTOLD,)
            return replace(
                item, variant=other.variant, title=other.title, because=because, since=since
            )
    shared = sorted(entry.may_hold & allergies.known.keys())
    if entry.may_hold and (shared or allergies.untold):
        return _marked(item, shared, allergies, must_check_label=True)
    return item


def _product_under(item: SetUpItem, product: SkinProductFacts, allergies: Allergies) -> SetUpItem:
    if product.ingredients is None:
        return _marked(item, sorted(allergies.known), allergies, must_check_label=True)
    shared = sorted(product.ingredients & allergies.known.keys())
    if shared:
        return _marked(item, shared, allergies, is_struck=True)
    return _marked(item, [], allergies, must_check_label=True) if allergies.untold else item


def _marked(
    item: SetUpItem,
    shared: Sequence[str],
    allergies: Allergies,
    *,
    is_struck: bool = False,
    must_check_label: bool = False,
) -> SetUpItem:
    times = [allergies.known[code] for code in shared]
    told = list(shared)
    if allergies.untold is not None and not is_struck:
        times.append(allergies.untold)
        told.append(UNTOLD)
    return replace(
        item,
        because=tuple(told),
        since=max(times),
        is_struck=is_struck,
        must_check_label=must_check_label,
    )


def for_everybody(items: Iterable[SetUpItem], book: SetUpBook) -> tuple[SetUpItem, ...]:
    """A list made with nothing declared, as everybody may see it: nothing on it depends on a client's health.

    What only the practitioner lays out stands as one row for each entry, named in general.
    """
    titles = {entry.code: entry.title_for_all for entry in book.entries}
    found: dict[str, SetUpItem] = {}
    for item in items:
        if not item.by_practitioner:
            found[item.key] = item
        elif item.code not in found:
            count = 1 if item.key != item.code else item.count
            found[item.code] = replace(item, key=item.code, title=titles[item.code], count=count)
    return tuple(found.values())


def changed_keys(before: Iterable[SetUpItem], now: Iterable[SetUpItem]) -> frozenset[str]:
    """Of which items the consultation has made something else."""
    former = {item.key: _marks(item) for item in before}
    return frozenset(item.key for item in now if former.get(item.key) != _marks(item))


def _marks(item: SetUpItem) -> tuple[str, bool, bool]:
    return item.variant, item.is_struck, item.must_check_label


def totals(lists: Iterable[tuple[UUID, Iterable[SetUpItem]]]) -> tuple[SetUpItem, ...]:
    """What several visits need together: (room where it begins, list) of each, in whatever order.

    What is used up adds up; of what stays each room needs as much as the visit that needs most.
    """
    first: dict[str, SetUpItem] = {}
    used: Counter[str] = Counter()
    most: dict[str, dict[UUID, int]] = {}
    for room_id, items in lists:
        for item in items:
            first.setdefault(item.key, item)
            used[item.key] += item.count
            rooms = most.setdefault(item.key, {})
            rooms[room_id] = max(rooms.get(room_id, 0), item.count)
    return tuple(
        replace(item, count=sum(most[key].values()) if item.stays else used[key])
        for key, item in first.items()
    )
