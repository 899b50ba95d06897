"""What the lines of visits used of the stock: what was said, what is still to be booked, what stands."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


class LineUseDue(TenantModel):
    """A line's use has to be booked, or booked anew; gone once it is."""

    line = TenantForeignKey("services.Line")
    location = TenantForeignKey("tenancy.Location")
    since = models.DateTimeField()

    class Meta:
        db_table = "services_line_use_due"
        constraints = tenant_constraints(
            "services_line_use_due", line="services_line", location="tenancy_location"
        )
        indexes = [
            models.Index(fields=["business_id", "location"], name="services_line_use_due_place")
        ]

    def __str__(self) -> str:
        return str(self.line_id)


@append_only
class StatedUse(TenantModel):
    """What a work record says was used of an item (or of what has that code on the set-up list).

    Without an amount as much as the set-up list has. The last record that names an item holds.
    """

    line = TenantForeignKey("services.Line")
    record = TenantForeignKey("services.WorkRecord")
    item = TenantForeignKey("rooms.StockItem", null=True)
    code = models.CharField(max_length=40, default="")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    amount = models.DecimalField(max_digits=12, decimal_places=3, null=True)

    class Meta:
        db_table = "services_stated_use"
        constraints = tenant_constraints(
            "services_stated_use",
            line="services_line",
            record="services_work_record",
            item="rooms_stock_item",
            lot="rooms_stock_lot",
            container="rooms_open_container",
        )
        indexes = [models.Index(fields=["business_id", "line"], name="services_stated_use_line")]

    def __str__(self) -> str:
        return f"{self.item_id or self.code} {self.amount}"


class LineUse(TenantModel):
    """What a line used of an item, by lot and open container where known: as it stands now.

    Derived from the set-up list, what was stated, and what stood open in the room at the time. The
    stock's movements of a line add up to it. `stands` is false where it turned out otherwise.
    """

    line = TenantForeignKey("services.Line")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    quantity = models.DecimalField(max_digits=12, decimal_places=3)
    #: Somebody said so; else it is what the set-up list and the room say.
    stated = models.BooleanField()
    stands = models.BooleanField(default=True)

    class Meta:
        db_table = "services_line_use"
        constraints = [
            *tenant_constraints(
                "services_line_use",
                line="services_line",
                item="rooms_stock_item",
                lot="rooms_stock_lot",
                container="rooms_open_container",
            ),
            models.UniqueConstraint(
                fields=["business_id", "line", "item", "lot", "container"],
                nulls_distinct=False,
                name="services_line_use_once",
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "lot"], name="services_line_use_lot"),
            models.Index(fields=["business_id", "container"], name="services_line_use_container"),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} {self.quantity}"
