"""What may be used of the stock, what first, and what a count says. Pure; amounts are in an item's unit."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_FLOOR, Decimal
from uuid import UUID

from dateutil.relativedelta import relativedelta

#: Everything is counted about once a week, and a date is told so long ahead (house policy).
COUNT_EVERY_DAYS = 7
WARN_DAYS = 30
#: Amounts are kept to so many decimals.
STEP = Decimal("0.001")
_NONE = UUID(int=0)


def discard_by(
    opened_on: date, *, expires_on: date | None, months: int | None, days: int | None
) -> date | None:
    """The last day on which an opened container may be used: the earlier of its lot's expiry and the
    label's period after opening; None where neither is on the label.

    Months are those of the calendar: opened on 31 August for six months, 28 February (29 in a leap
    year). The period in months is that of the open-jar mark of Regulation (EC) 1223/2009, article
    19(1)(c) (from memory); that the last day still counts is house policy.
    """
    ends = [expires_on] if expires_on else []
    if months is not None:
        ends.append(opened_on + relativedelta(months=months))
    if days is not None:
        ends.append(opened_on + relativedelta(days=days))
    return min(ends, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """How much of an item is held of one lot, in one open container; both None: nobody knows of which."""

    quantity: Decimal
    lot_id: UUID | None = None
    container_id: UUID | None = None
    #: The last day on which it may be used; None: no date.
    use_by: date | None = None
    withdrawn: bool = False
    #: The container was closed: nothing is in it, whatever is booked to it late.
    closed: bool = False


def may_be_used(use_by: date | None, *, withdrawn: bool, on: date) -> bool:
    """Not called back, and not past its date on that local day."""
    return not withdrawn and (use_by is None or on <= use_by)


def first_out(held: Iterable[Held]) -> list[Held]:
    """First expired, first out; of one date what is open before what is sealed."""
    return sorted(held, key=_order)


def _order(one: Held) -> tuple[date, bool, UUID, UUID]:
    return (
        one.use_by or date.max,
        one.container_id is None,
        one.lot_id or _NONE,
        one.container_id or _NONE,
    )


def lot_to_open(held: Iterable[Held], on: date) -> UUID | None:
    """Of which lot to open the next container: in stock, not past its date, first to expire.

    None where nothing such is in the books: whoever has it in hand reads the number off it.
    """
    sealed = [
        one
        for one in held
        if one.container_id is None
        and one.lot_id is not None
        and one.quantity > 0
        and may_be_used(one.use_by, withdrawn=one.withdrawn, on=on)
    ]
    return first_out(sealed)[0].lot_id if sealed else None


def lots_to_sell(
    held: Iterable[Held], quantity: Decimal, on: date
) -> list[tuple[UUID | None, Decimal]]:
    """Of which lots so much is sold, first expired, first out; what the books do not have, of none (None, last).

    What is open is not sold, nor what is past its date or called back.
    """
    parts: list[tuple[UUID | None, Decimal]] = []
    left = quantity
    for one in first_out(x for x in held if x.container_id is None and x.lot_id is not None):
        fits = may_be_used(one.use_by, withdrawn=one.withdrawn, on=on)
        if fits and one.quantity > 0 and left > 0:
            many = min(one.quantity, left)
            parts.append((one.lot_id, many))
            left -= many
    return [*parts, (None, left)] if left > 0 else parts


def is_left_unusable(held: Sequence[Held], on: date) -> bool:
    """Whether more is in stock that is past its date or called back, and of no known lot nothing."""
    known = any(x.quantity > 0 for x in held if x.lot_id is None and x.container_id is None)
    return not known and any(
        x.quantity > 0
        and x.container_id is None
        and not may_be_used(x.use_by, withdrawn=x.withdrawn, on=on)
        for x in held
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How an item stands at a location on a day."""

    total: Decimal
    #: Of it what may be used: neither past its date nor called back.
    usable: Decimal
    in_open: Decimal
    first_use_by: date | None


def standing(held: Sequence[Held], on: date) -> Standing:
    """All of an item together; `first_use_by` is of what may still be used.

    What nobody knows the lot of counts as usable, so that use without a lot lessens it.
    """
    fit = [x for x in held if may_be_used(x.use_by, withdrawn=x.withdrawn, on=on)]
    return Standing(
        total=sum((x.quantity for x in held), Decimal(0)),
        usable=sum((x.quantity for x in fit), Decimal(0)),
        in_open=sum((x.quantity for x in held if x.container_id), Decimal(0)),
        first_use_by=min((x.use_by for x in fit if x.use_by and x.quantity > 0), default=None),
    )


def settled(held: Sequence[Held], counted: Decimal) -> list[Held]:
    """What a count makes of each part: changes of `quantity` that bring the sum to `counted`.

    What is missing is presumed gone from what was due first, also what was used of no known lot; of
    a closed container nothing is left. What is over belongs to no known lot (or to the one counted,
    where all of `held` are of one).
    """
    remaining, kept = counted, {}
    for one in reversed(first_out(held)):
        if one.closed or (one.lot_id is None and one.container_id is None):
            kept[one.lot_id, one.container_id] = Decimal(0)
            continue
        kept[one.lot_id, one.container_id] = min(max(one.quantity, Decimal(0)), remaining)
        remaining -= kept[one.lot_id, one.container_id]
    lots = {one.lot_id for one in held}
    over = (lots.pop() if len(lots) == 1 else None, None)
    kept[over] = kept.get(over, Decimal(0)) + remaining
    before = {(one.lot_id, one.container_id): one.quantity for one in held}
    changes = ((key, amount - before.get(key, Decimal(0))) for key, amount in kept.items())
    return [
        Held(lot_id=lot, container_id=container, quantity=change)
        for (lot, container), change in changes
        if change
    ]


def plain(quantity: Decimal) -> str:
    """An amount as decimal text without needless zeros, as the API has it."""
    return f"{quantity.normalize() + 0:f}"


def missing(count: int, uses_each: Decimal, available: Decimal) -> int:
    """How many of `count` there is not enough for, each using so much; of what stays one is enough."""
    if uses_each == 0:
        return 0 if available > 0 else count
    enough_for = (max(available, Decimal(0)) / uses_each).to_integral_value(ROUND_FLOOR)
    return max(count - int(enough_for), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class UseAgainstRecipe:
    """What lines should have used between two counts, and what is gone besides what left otherwise."""

    recipe: Decimal
    actual: Decimal

    @property
    def difference(self) -> Decimal:
        """More than 0: more was used than the lines say."""
        return self.actual - self.recipe

    @property
    def percent(self) -> Decimal | None:
        """The difference in per cent of the recipe, to one decimal; None where that is nothing."""
        if self.recipe == 0:
            return None
        return (100 * self.difference / self.recipe).quantize(Decimal("0.1"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """An open container that stood in a room (None: wherever it was wanted) for a while."""

    container_id: UUID
    item_id: UUID
    lot_id: UUID | None
    room_id: UUID | None
    from_at: datetime
    until_at: datetime | None
    use_by: date | None
    #: Since when its lot is called back.
    withdrawn_at: datetime | None = None
    is_closed: bool = False


def touched_by(
    stood: Iterable[Stood],
    *,
    room_id: UUID | None,
    began_at: datetime,
    ended_at: datetime,
    on: date,
) -> list[Stood]:
    """Of which open containers of one item work in a room used, the one that counts first.

    Chosen is what stood there when the work ended, the room's own before what stands for all rooms,
    first expired first out; never one past its date or called back by then. What was closed while
    the work went on comes after it: that may have been used as well. Nothing, where nothing stood.
    """
    fit = [
        one
        for one in stood
        if one.room_id in {room_id, None}
        and one.from_at <= ended_at
        and may_be_used(
            one.use_by,
            withdrawn=one.withdrawn_at is not None and one.withdrawn_at <= ended_at,
            on=on,
        )
    ]
    now = [one for one in fit if one.until_at is None or one.until_at > ended_at]
    used_up = [
        one for one in fit
        if one.is_closed and one.until_at is not None and began_at < one.until_at <= ended_at
    ]  # fmt: skip
    return sorted(now, key=_nearest)[:1] + sorted(used_up, key=_nearest)


def _nearest(one: Stood) -> tuple[bool, date, datetime, UUID]:
    return one.room_id is None, one.use_by or date.max, one.from_at, one.container_id
