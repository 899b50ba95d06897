"""Retail items sold at a visit: on its account, and out of stock in the same unit of work."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from clients.actions_reads import record_read
from rooms import actions as rooms
from services.actions.checkout import WAS_HERE, desk_of, money_evidence
from services.models import Sale, SaleLot, SaleUndone, Undone
from services.queries import sales as queries
from services.queries.visits import locked_visit
from services.rules.money import charged
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action


@dataclass(frozen=True, slots=True, kw_only=True)
class SoldNow:
    """A sale, and what stands against handing it over. `id` is the sale's."""

    sale: Sale
    caution: queries.Caution

    @property
    def id(self) -> UUID:
        return self.sale.id


@action
def sell_at_visit(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    item_id: UUID,
    quantity: int,
    price_each_minor: int,
    currency: str,
    discount_minor: int = 0,
    lot_id: UUID | None = None,
    id: UUID | None = None,
) -> SoldNow:
    """Sell so many of a retail item to a client who came, for a price each less a discount on all, plus tax.

    Of the lot that is named, else first expired, first out. What the client declared is held against
    the product's label: that is a recorded read. A visit that was checked out is open again. Raises
    `WrongState` for a client who did not come, `WrongPartOfStock`, `NotToBeUsed`, `CurrencyMismatch`,
    `InvalidInput`, `NotFound`, `Erased`.
    """
    visit = locked_visit(visit_id, actor)
    desk = desk_of(actor, now, visit, currency)
    if visit.state not in WAS_HERE:
        raise WrongState(thing="visit", state=visit.state, needed="a client who came")
    if quantity < 1:
        raise invalid("/quantity", "must be one or more")
    amounts = charged(
        price_minor=quantity * price_each_minor,
        discount_minor=discount_minor,
        tax_basis_points=tenancy.policy_of(desk.place).tax_basis_points,
    )
    moved = rooms.sell_retail(
        actor=actor, now=now, location_id=visit.location_id, item_id=item_id,
        quantity=Decimal(quantity), lot_id=lot_id,
    )  # fmt: skip
    sale = Sale(
        id=id or uuid7(),
        business_id=visit.business_id,
        visit=visit,
        item_id=item_id,
        quantity=quantity,
        currency=desk.place.currency,
        price_minor=amounts.price_minor,
        discount_minor=amounts.discount_minor,
        tax_minor=amounts.tax_minor,
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    lots = [
        SaleLot(business_id=visit.business_id, sale=sale, lot_id=row.lot_id, quantity=-row.quantity)
        for row in moved
    ]
    insert([sale, *lots])
    record_read(actor=actor, now=now, client_id=visit.client_id, visit_id=visit.id)
    caution = queries.caution_for(visit, queries.item_to_sell(item_id, actor))
    facts = {
        "sale_id": sale.id,
        "item_id": item_id,
        "lot_ids": [lot.lot_id for lot in lots if lot.lot_id],
    }
    parts = ("quantity", "currency", "price_minor", "discount_minor", "tax_minor")
    money_evidence(
        desk,
        "visit.sold",
        facts | {name: getattr(sale, name) for name in parts},
    )
    return SoldNow(sale=sale, caution=caution)


@action
def undo_sale(
    *, actor: Actor, now: datetime, sale_id: UUID, kind: str, id: UUID | None = None
) -> SaleUndone:
    """A sale was a mistake, or was brought back: nothing is owed for it, and it is in stock again unless opened.

    What was paid is given back as a refund. Raises `WrongState` for one that was undone, `NotFound`,
    `InvalidInput`.
    """
    sale = queries.sale_of(sale_id)
    visit = locked_visit(sale.visit_id, actor)
    desk = desk_of(actor, now, visit, None)
    if kind not in Undone.values:
        raise invalid("/kind", f"must be one of {', '.join(Undone.values)}")
    if queries.undone_of(sale.id) is not None:
        raise WrongState(thing="sale", state="undone", needed="one that stands")
    row = SaleUndone(
        id=id or uuid7(),
        business_id=sale.business_id,
        sale=sale,
        kind=kind,
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    insert([row])
    if kind != Undone.OPENED:
        parts = [(lot.lot_id, lot.quantity) for lot in queries.lots_of(sale.id)]
        rooms.take_back_retail(
            actor=actor, now=now, location_id=visit.location_id, item_id=sale.item_id, parts=parts
        )
    facts = {"sale_id": sale.id, "item_id": sale.item_id, "undone": kind}
    money_evidence(desk, "visit.sale_undone", facts)
    return row
