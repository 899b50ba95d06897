"""What a line uses of the stock: by the set-up list, and by what its record says where it does. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from uuid import UUID

from rooms.rules.stock import STEP
from services.rules.set_up import SetUpItem

#: What a work record counts in a field of its own: the set-up list's code for it.
APPLICATORS = "wax_applicator"
_SKIN_PRODUCTS = "skin_products"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stocked:
    """An item of the stock by what a set-up list calls it; `uses_each` 0: it stays."""

    id: UUID
    code: str
    uses_each: Decimal
    size: str = ""
    variant: str = ""
    skin_product_id: UUID | None = None


class Shelf:
    """The items that are kept, found by what is on a set-up list."""

    def __init__(self, items: Iterable[Stocked]) -> None:
        self.by_id = {item.id: item for item in items}
        self._by_name = {
            (item.code, item.size, item.variant, item.skin_product_id): item
            for item in self.by_id.values()
            if item.code
        }

    def item_of(self, row: SetUpItem) -> Stocked | None:
        """The item for a row: of its size, else of none; None where it is not kept in stock."""
        product = product_of(row)
        if row.code == _SKIN_PRODUCTS and product is None:
            return None
        sizes = (row.size, "") if row.size else ("",)
        found = (self._by_name.get((row.code, size, row.variant, product)) for size in sizes)
        return next((item for item in found if item is not None), None)


def product_of(row: SetUpItem) -> UUID | None:
    """Which product of the price list a row is, if it is one."""
    name = row.key.partition(":")[2]
    return UUID(name) if row.code == _SKIN_PRODUCTS and name else None


def recipe(rows: Iterable[SetUpItem], shelf: Shelf) -> dict[UUID, Decimal]:
    """How much of each stocked item a set-up list uses up, 0 for what is needed and stays."""
    found: dict[UUID, Decimal] = defaultdict(Decimal)
    for row in rows:
        item = shelf.item_of(row)
        if item is not None:
            found[item.id] += row.count * item.uses_each
    return dict(found)


def added(before: Mapping[UUID, Decimal], after: Mapping[UUID, Decimal]) -> dict[UUID, Decimal]:
    """What one more line adds to what a visit uses. An item that stays is the line's own as well."""
    return {item: amount - before.get(item, Decimal(0)) for item, amount in after.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a record of work says of an item, or of all with a code of the set-up list.

    `amount` None: as much as the list has; `place` is where its record stands among a line's.
    """

    place: int
    item_id: UUID | None = None
    code: str = ""
    lot_id: UUID | None = None
    container_id: UUID | None = None
    amount: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """So much of an item; where `stated`, of that lot and container if they are named."""

    item_id: UUID
    quantity: Decimal
    lot_id: UUID | None = None
    container_id: UUID | None = None
    stated: bool = False


def uses(planned: Mapping[UUID, Decimal], said: Sequence[Said], shelf: Shelf) -> list[Use]:
    """What a line used: as its last record that names an item says, else as planned.

    Said with amount 0 is not used at all. An item that is not planned and said without an amount
    was used once. Items that are gone from the shelf are left out.
    """
    amounts = dict(planned)
    named = {one.item_id: one.place for one in sorted(said, key=lambda s: s.place) if one.item_id}
    for one in sorted(said, key=lambda s: s.place):
        if one.code and one.amount is not None:
            amounts |= _of_code(one.code, one.amount, planned, shelf)
    found = []
    for item_id, amount in amounts.items():
        if item_id not in named:
            found.append(Use(item_id=item_id, quantity=amount))
    for item_id, place in named.items():
        if item_id in shelf.by_id:
            once = amounts.get(item_id, shelf.by_id[item_id].uses_each)
            found += _stated(
                item_id, [s for s in said if (s.item_id, s.place) == (item_id, place)], once
            )
    return found


def _of_code(
    code: str, count: Decimal, planned: Mapping[UUID, Decimal], shelf: Shelf
) -> dict[UUID, Decimal]:
    """A count of all sizes together, shared out as planned; nothing where none is planned."""
    of_code = [i for i in planned if i in shelf.by_id and shelf.by_id[i].code == code]
    shares = shared(int(count), [planned[i] for i in of_code])
    return {
        i: n * shelf.by_id[i].uses_each for i, n in zip(of_code, shares, strict=True)
    }  # fmt: skip


def shared(count: int, weights: Sequence[Decimal]) -> list[int]:
    """`count` shared out by weight in whole numbers, what is left over to the largest remainders first."""
    together = sum(weights, Decimal(0))
    if not together:
        return [count if i == 0 else 0 for i in range(len(weights))]
    exact = [count * weight / together for weight in weights]
    whole = [int(part.to_integral_value(ROUND_FLOOR)) for part in exact]
    by_rest = sorted(range(len(weights)), key=lambda i: (whole[i] - exact[i], i))
    for i in by_rest[: count - sum(whole)]:
        whole[i] += 1
    return whole


def _stated(item_id: UUID, said: Sequence[Said], amount: Decimal) -> list[Use]:
    """One item as a record says it; those without an amount share what is left of the planned one."""
    open_ended = [one for one in said if one.amount is None]
    left = max(
        amount - sum((s.amount for s in said if s.amount is not None), Decimal(0)), Decimal(0)
    )
    share = (left / len(open_ended)).quantize(STEP, ROUND_FLOOR) if open_ended else Decimal(0)
    rest = left - share * len(open_ended)
    found: dict[tuple[UUID | None, UUID | None], Decimal] = defaultdict(Decimal)
    for one in said:
        if one.amount is None:
            found[one.lot_id, one.container_id] += share + rest
            rest = Decimal(0)
        elif one.amount > 0:
            found[one.lot_id, one.container_id] += one.amount
    return [
        Use(item_id=item_id, quantity=quantity, lot_id=lot, container_id=container, stated=True)
        for (lot, container), quantity in found.items()
    ]
