"""Stock: what is kept, in which lots, what is open where, and every movement of it."""

from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class StockPart(models.TextChoices):
    """Professional stock is used on clients, retail stock is sold; neither stands in for the other."""

    PROFESSIONAL = "professional"
    RETAIL = "retail"


class StockUnit(models.TextChoices):
    """What an item is counted in."""

    PIECE = "piece"
    PAIR = "pair"
    GRAM = "g"
    MILLILITRE = "mL"


class MovementKind(models.TextChoices):
    RECEIVED = "received"
    OPENED = "opened"
    DECANTED = "decanted"
    USED = "used"
    SOLD = "sold"
    DISCARDED = "discarded"
    COUNTED = "counted"
    CORRECTED = "corrected"


class Closing(models.TextChoices):
    """Why an open container is one no more."""

    EMPTY = "empty"
    PAST_DATE = "past_date"
    CONTAMINATED = "contaminated"
    WITHDRAWN = "withdrawn"
    OTHER = "other"


def _amount(**more: object) -> models.DecimalField:
    return models.DecimalField(max_digits=12, decimal_places=3, **more)


class StockItem(SyncedModel):
    """Something that is kept in stock, the same at all locations; another maker's is another lot."""

    entity = "stock_item"
    name = models.CharField(max_length=200)
    part = models.CharField(max_length=12, choices=StockPart.choices)
    #: Code, size and variant of the set-up list's item that it is laid out for; "": none.
    code = models.CharField(max_length=40, default="")
    size = models.CharField(max_length=8, default="")
    variant = models.CharField(max_length=40, default="")
    #: Of which product of the price list it is the stock.
    skin_product_id = models.UUIDField(null=True)
    unit = models.CharField(max_length=8, choices=StockUnit.choices)
    #: How much of the unit one of it on a set-up list uses up; 0: it stays.
    uses_each = _amount()
    #: What it is ordered by, in its unit.
    pack_size = _amount()
    #: From ordering to having it.
    lead_days = models.PositiveSmallIntegerField()
    #: The label's period after opening, in months or in days; both null: none.
    months_after_opening = models.PositiveSmallIntegerField(null=True)
    days_after_opening = models.PositiveSmallIntegerField(null=True)
    active = models.BooleanField(default=True)

    class Meta:
        db_table = "rooms_stock_item"
        constraints = [
            *tenant_constraints("rooms_stock_item"),
            models.UniqueConstraint(
                fields=["business_id", "code", "size", "variant", "skin_product_id"],
                condition=models.Q(active=True) & ~models.Q(code=""),
                nulls_distinct=False,
                name="rooms_stock_item_one_for_each",
            ),
            models.CheckConstraint(
                condition=models.Q(uses_each__gte=0) & models.Q(pack_size__gt=0),
                name="rooms_stock_item_amounts",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class StockLot(SyncedModel):
    """What came under one lot number (or none) with one expiry date, at one location."""

    entity = "stock_lot"
    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    number = models.CharField(max_length=80, default="")
    #: The last day on which it may be used; null: the label has none.
    expires_on = models.DateField(null=True)
    received_at = models.DateTimeField()
    #: Not to be used any more: called back by its maker, or found bad.
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_reason = models.CharField(max_length=500, default="")

    class Meta:
        db_table = "rooms_stock_lot"
        constraints = [
            *tenant_constraints(
                "rooms_stock_lot", location="tenancy_location", item="rooms_stock_item"
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "item", "number", "expires_on"],
                nulls_distinct=False,
                name="rooms_stock_lot_once",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "number"], name="rooms_stock_lot_number")]

    def __str__(self) -> str:
        return self.number


class OpenContainer(SyncedModel):
    """One opened jar, box or bottle of one lot. It is never topped up: empty, it is closed for good."""

    entity = "open_container"
    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    #: Where it stands now; null: wherever it is wanted at the location.
    room = TenantForeignKey("rooms.Room", null=True)
    #: What was in it when it was opened.
    holds = _amount()
    opened_at = models.DateTimeField()
    opened_by = models.UUIDField(null=True)
    #: The last local day on which it may be used; null: label and lot name none.
    discard_by = models.DateField(null=True)
    #: The container that its content was decanted from.
    decanted_from = TenantForeignKey("rooms.OpenContainer", null=True)
    closed_at = models.DateTimeField(null=True)
    closed_by = models.UUIDField(null=True)
    closed_reason = models.CharField(max_length=12, choices=Closing.choices, default="")

    class Meta:
        db_table = "rooms_open_container"
        constraints = [
            *tenant_constraints(
                "rooms_open_container",
                location="tenancy_location",
                item="rooms_stock_item",
                lot="rooms_stock_lot",
                room="rooms_room",
                decanted_from="rooms_open_container",
            ),
            models.CheckConstraint(
                condition=models.Q(holds__gt=0), name="rooms_open_container_holds"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "item", "opened_at"],
                name="rooms_open_container_item",
            ),
            models.Index(fields=["business_id", "lot"], name="rooms_open_container_lot"),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} opened {self.opened_at}"


@append_only
class ContainerPlace(TenantModel):
    """From when an open container stood in a room; the last one before an instant holds for it."""

    container = TenantForeignKey("rooms.OpenContainer")
    room = TenantForeignKey("rooms.Room", null=True)
    from_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "rooms_container_place"
        constraints = tenant_constraints(
            "rooms_container_place", container="rooms_open_container", room="rooms_room"
        )
        indexes = [
            models.Index(
                fields=["business_id", "container", "from_at"], name="rooms_container_place_at"
            )
        ]

    def __str__(self) -> str:
        return f"{self.container_id} from {self.from_at}"


@append_only
class StockMovement(TenantModel):
    """So much more or less of an item: at a location, of a lot and an open container where known.

    Opening and decanting are two each, one out and one in. A correction is a movement of its own.
    """

    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    kind = models.CharField(max_length=12, choices=MovementKind.choices)
    #: In the item's unit; less than 0: out.
    quantity = _amount()
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)
    #: The line of a visit that used it.
    line_id = models.UUIDField(null=True)
    reason = models.CharField(max_length=500, default="")

    class Meta:
        db_table = "rooms_stock_movement"
        constraints = tenant_constraints(
            "rooms_stock_movement",
            location="tenancy_location",
            item="rooms_stock_item",
            lot="rooms_stock_lot",
            container="rooms_open_container",
        )
        indexes = [
            models.Index(
                fields=["business_id", "location", "item", "happened_at"],
                name="rooms_stock_movement_item",
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.quantity}"


class StockDelta(TenantModel):
    """A movement that is not in a balance yet; gone once it is. Written with its movement."""

    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    quantity = _amount()

    class Meta:
        db_table = "rooms_stock_delta"
        constraints = tenant_constraints(
            "rooms_stock_delta",
            location="tenancy_location",
            item="rooms_stock_item",
            lot="rooms_stock_lot",
            container="rooms_open_container",
        )
        indexes = [
            models.Index(fields=["business_id", "location", "item"], name="rooms_stock_delta_item")
        ]

    def __str__(self) -> str:
        return str(self.quantity)


class StockBalance(TenantModel):
    """The sum of movements up to those that still stand as deltas; the two together are the balance."""

    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    quantity = _amount()

    class Meta:
        db_table = "rooms_stock_balance"
        constraints = [
            *tenant_constraints(
                "rooms_stock_balance",
                location="tenancy_location",
                item="rooms_stock_item",
                lot="rooms_stock_lot",
                container="rooms_open_container",
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "item", "lot", "container"],
                nulls_distinct=False,
                name="rooms_stock_balance_one",
            ),
        ]

    def __str__(self) -> str:
        return str(self.quantity)


@append_only
class StockCount(TenantModel):
    """What was counted of an item, or of one of its lots, and what the movements had said."""

    location = TenantForeignKey("tenancy.Location")
    item = TenantForeignKey("rooms.StockItem")
    lot = TenantForeignKey("rooms.StockLot", null=True)
    counted_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    counted_by = models.UUIDField(null=True)
    expected = _amount()
    counted = _amount()

    class Meta:
        db_table = "rooms_stock_count"
        constraints = [
            *tenant_constraints(
                "rooms_stock_count",
                location="tenancy_location",
                item="rooms_stock_item",
                lot="rooms_stock_lot",
            ),
            models.CheckConstraint(condition=models.Q(counted__gte=0), name="rooms_stock_counted"),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "item", "counted_at"],
                name="rooms_stock_count_item",
            )
        ]

    def __str__(self) -> str:
        return f"{self.counted} of {self.expected}"
