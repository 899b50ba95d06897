"""What is kept in stock, and lots that are not to be used any more."""

from datetime import datetime
from typing import Any
from uuid import UUID

from rooms.models import StockItem, StockLot, StockPart
from rooms.queries import stock as queries
from rooms.registry import SET_UP_NAME_CHECKS
from rooms.rules.stock import plain
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import InvalidInput, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: What cannot become another once something was moved: sums would add apples to pears.
_FIXED = ("part", "unit")


@action
def add_stock_item(
    *, actor: Actor, now: datetime, id: UUID | None = None, **fields: Any
) -> StockItem:
    """An item of the stock, the fields as of `StockItem`. Raises `InvalidInput`, `AlreadyExists` where
    another item in use stands for the same thing on set-up lists.
    """
    item = StockItem(id=id or uuid7(), business_id=actor.business_id, **fields)
    item.name = item.name.strip()
    _check(item)
    put(item)
    _evidence("stock.item_added", item)
    return item


@action
def change_stock_item(
    *, actor: Actor, now: datetime, item_id: UUID, match: int | None = None, **changes: Any
) -> StockItem:
    """Change an item, or retire it (`active`). A changed period after opening is for what is opened next.

    Raises `NotFound`, `StaleVersion`, `InvalidInput` also for another unit or part once something
    was moved, `AlreadyExists`.
    """
    item = tenancy.locked(StockItem, item_id, actor, match=match)
    if "name" in changes:
        changes["name"] = changes["name"].strip()
    names = [name for name, value in changes.items() if getattr(item, name) != value]
    if not names:
        return item
    fixed = [name for name in names if name in _FIXED]
    if fixed and queries.has_movements(item.id):
        message = "cannot change once something was moved; retire the item and add another"
        raise InvalidInput(
            *({"pointer": f"/{n}", "code": "fixed", "message": message} for n in fixed)
        )
    for name in names:
        setattr(item, name, changes[name])
    _check(item)
    put(item, fields=names)
    _evidence("stock.item_changed", item)
    return item


def _check(item: StockItem) -> None:
    faults = []
    if not item.name:
        faults.append(("name", "must not be blank"))
    if item.months_after_opening is not None and item.days_after_opening is not None:
        faults.append(("days_after_opening", "a label has months or days, not both"))
    if item.part == StockPart.RETAIL and item.code:
        faults.append(("code", "retail stock is on no set-up list"))
    said = (
        check(item.code, item.size, item.variant, item.skin_product_id)
        for check in SET_UP_NAME_CHECKS
    )
    faults += [flaw for flaw in said if flaw]
    if faults:
        raise InvalidInput(
            *({"pointer": f"/{n}", "code": "invalid", "message": m} for n, m in faults)
        )


def _evidence(kind: str, item: StockItem) -> None:
    # In the business's own chain, as the price list is.
    current().evidence(
        kind,
        location_id=None,
        subject_id=item.id,
        facts={
            "item_id": item.id,
            "version": item.version,
            "name": item.name,
            "part": item.part,
            "code": item.code or None,
            "size": item.size or None,
            "variant": item.variant or None,
            "unit": item.unit,
            "uses_each": plain(item.uses_each),
            "pack_size": plain(item.pack_size),
            "lead_days": item.lead_days,
            "months_after_opening": item.months_after_opening,
            "days_after_opening": item.days_after_opening,
            "active": item.active,
        },
    )


@action
def withdraw_lot(*, actor: Actor, now: datetime, lot_id: UUID, reason: str) -> StockLot:
    """A lot is not to be used any more: nothing of it is opened or chosen, and what stands open is due.

    Raises `NotFound`, `WrongState`.
    """
    lot = tenancy.locked(StockLot, lot_id, actor)
    if lot.withdrawn_at is not None:
        raise WrongState(thing="lot", state="withdrawn", needed="one that is in use")
    lot.withdrawn_at, lot.withdrawn_reason = now, reason
    return _put_lot(lot, "stock.lot_withdrawn")


@action
def reinstate_lot(*, actor: Actor, now: datetime, lot_id: UUID) -> StockLot:
    """A lot may be used after all. Raises `NotFound`, `WrongState`."""
    lot = tenancy.locked(StockLot, lot_id, actor)
    if lot.withdrawn_at is None:
        raise WrongState(thing="lot", state="in use", needed="one that was withdrawn")
    lot.withdrawn_at, lot.withdrawn_reason = None, ""
    return _put_lot(lot, "stock.lot_reinstated")


def _put_lot(lot: StockLot, kind: str) -> StockLot:
    put(lot, fields=["withdrawn_at", "withdrawn_reason"])
    current().evidence(
        kind,
        location_id=lot.location_id,
        subject_id=lot.id,
        facts={"item_id": lot.item_id, "lot_id": lot.id, "lot_number": lot.number or None},
    )
    return lot
