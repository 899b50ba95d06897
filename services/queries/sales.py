"""Reads of what was sold at visits, and of what in it a client declared not to bear. Never writes."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import F, OuterRef, Subquery

from rooms.models import StockItem
from services.models import Sale, SaleLot, SaleUndone, SkinProduct, Visit
from services.queries.set_up import allergies_of
from services.rules.money import NOTHING, Amounts, Basis, LineMoney
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy


@dataclass(frozen=True, slots=True, kw_only=True)
class Sold:
    """One sale as it stands; `undone` says why it does not any more, and since when."""

    sale: Sale
    money: LineMoney
    undone: str | None
    undone_at: datetime | None
    lot_numbers: tuple[str, ...]


def _told() -> dict[str, Any]:
    undone = SaleUndone.objects.filter(sale=OuterRef("id"))
    lots = SaleLot.objects.filter(sale=OuterRef("id")).exclude(lot__number="")
    lots = lots.order_by("lot__expires_on", "lot__number")
    return {
        "undone": Subquery(undone.values("kind")[:1]),
        "undone_at": Subquery(undone.values("recorded_at")[:1]),
        "lot_numbers": ArraySubquery(lots.filter(lot__isnull=False).values("lot__number")),
    }


def sales_of(visit_id: UUID) -> tuple[Sold, ...]:
    """What was sold at a visit, also what was undone, oldest first. One statement."""
    rows = Sale.objects.filter(visit_id=visit_id).select_related("item").annotate(**_told())
    return tuple(
        Sold(
            sale=row,
            money=_money(row, stands=row.undone is None),
            undone=row.undone,
            undone_at=row.undone_at,
            lot_numbers=tuple(row.lot_numbers),
        )
        for row in rows.order_by("recorded_at", "id")
    )


def _money(row: Sale, *, stands: bool) -> LineMoney:
    if not stands:
        return LineMoney(basis=Basis.NOTHING, amounts=NOTHING)
    amounts = Amounts(
        price_minor=row.price_minor, discount_minor=row.discount_minor, tax_minor=row.tax_minor
    )
    return LineMoney(basis=Basis.CHARGED, amounts=amounts)


def sale_of(sale_id: UUID) -> Sale:
    """A sale with its item; raises `NotFound`. Load its visit for who may reach it."""
    found = Sale.objects.filter(id=sale_id).select_related("item").first()
    if found is None:
        raise NotFound
    return found


def undone_of(sale_id: UUID) -> SaleUndone | None:
    """Why a sale does not stand, if it does not."""
    return SaleUndone.objects.filter(sale_id=sale_id).first()


def lots_of(sale_id: UUID) -> list[SaleLot]:
    """What of which lots was sold."""
    return list(SaleLot.objects.filter(sale_id=sale_id).order_by("id"))


def visit_of_undoing(row_id: UUID | None) -> tuple[UUID, UUID]:
    """The sale and the visit of an undoing; raises `NotFound`."""
    found = SaleUndone.objects.filter(id=row_id).values_list("sale_id", "sale__visit_id").first()
    if found is None:
        raise NotFound
    return found[0], found[1]


def item_to_sell(item_id: UUID, actor: Actor) -> StockItem:
    """The item; raises `NotFound`."""
    return tenancy.loaded(StockItem, item_id, actor)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """What stands against handing a product to a client: ingredients that they declared they do not bear.

    `read_label`: the file does not know what is in it, or not what the client meant.
    """

    allergens: tuple[str, ...] = ()
    read_label: bool = False

    @property
    def asks(self) -> bool:
        """Whether somebody who knows the client has to look before it is handed over."""
        return bool(self.allergens) or self.read_label


def caution_for(visit: Visit, item: StockItem) -> Caution:
    """By what the client declared and what the product's label has. Whoever shows it records the read.

    What is in a product that is not on file is asked about whoever the client is. Raises `Erased`.
    """
    product = SkinProduct.objects.filter(id=item.skin_product_id).first()
    if product is None or product.ingredients is None:
        return Caution(read_label=True)
    _, said = allergies_of(visit)
    return Caution(
        allergens=tuple(sorted(set(product.ingredients) & said.known.keys())),
        read_label=said.untold is not None,
    )


def exported_sales(visit_ids: Collection[UUID]) -> list[dict[str, Any]]:
    """What was sold at visits, for the client, with `visit_id`. One statement."""
    rows = Sale.objects.filter(visit_id__in=visit_ids).order_by("id")
    rows = rows.annotate(name=F("item__name"), **_told())
    columns = (
        "visit_id", "id", "item_id", "name", "lot_numbers", "quantity", "price_minor", "discount_minor",
        "tax_minor", "currency", "recorded_at", "undone", "undone_at",
    )  # fmt: skip
    return list(rows.values(*columns))
