"""Retail items sold at visits. What was sold is never rewritten; undoing it is a row of its own."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


@append_only
class Sale(TenantModel):
    """So many of a retail item, sold at a visit. Minor units of `currency`, for all of them together."""

    visit = TenantForeignKey("services.Visit")
    item = TenantForeignKey("rooms.StockItem")
    quantity = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    price_minor = models.PositiveIntegerField()
    discount_minor = models.PositiveIntegerField()
    tax_minor = models.PositiveIntegerField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_sale"
        constraints = [
            *tenant_constraints("services_sale", visit="services_visit", item="rooms_stock_item"),
            models.CheckConstraint(
                condition=models.Q(discount_minor__lte=models.F("price_minor"), quantity__gt=0),
                name="services_sale_amounts",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_sale_visit")]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.item_id}"


@append_only
class SaleLot(TenantModel):
    """How much of a sale was of which lot; null: the books knew of none."""

    sale = TenantForeignKey("services.Sale")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    quantity = models.DecimalField(max_digits=12, decimal_places=3)

    class Meta:
        db_table = "services_sale_lot"
        constraints = tenant_constraints(
            "services_sale_lot", sale="services_sale", lot="rooms_stock_lot"
        )
        indexes = [
            models.Index(fields=["business_id", "sale"], name="services_sale_lot_sale"),
            models.Index(fields=["business_id", "lot"], name="services_sale_lot_lot"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.lot_id}"


class Undone(models.TextChoices):
    """Why a sale does not stand. What was opened is not sold again (common practice, no source)."""

    MISTAKE = "mistake"
    UNOPENED = "unopened"
    OPENED = "opened"


@append_only
class SaleUndone(TenantModel):
    """A sale does not stand any more: entered by mistake, or brought back."""

    sale = TenantForeignKey("services.Sale")
    kind = models.CharField(max_length=8, choices=Undone.choices)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_sale_undone"
        constraints = [
            *tenant_constraints("services_sale_undone", sale="services_sale"),
            models.UniqueConstraint(
                fields=["business_id", "sale"], name="services_sale_undone_once"
            ),
        ]

    def __str__(self) -> str:
        return self.kind
