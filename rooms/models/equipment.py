"""Equipment of rooms and locations, and its log."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class Equipment(SyncedModel):
    """A wax pot, towel warmer, foot basin, sharps box or the like. Its version moves with its log."""

    entity = "equipment"
    location = TenantForeignKey("tenancy.Location")
    #: Where it stands; None: for the whole location.
    room = TenantForeignKey("rooms.Room", null=True)
    #: One of rules.equipment.EquipmentKind.
    kind = models.CharField(max_length=20)
    name = models.CharField(max_length=120)
    #: Of a wax pot: soft_wax or hard_wax.
    method = models.CharField(max_length=40, default="")
    #: The last local day on which what is in it may be used.
    in_date_through = models.DateField(null=True)
    added_at = models.DateTimeField()
    retired_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "rooms_equipment"
        constraints = [
            *tenant_constraints("rooms_equipment", location="tenancy_location", room="rooms_room"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"],
                condition=models.Q(retired_at=None),
                name="rooms_equipment_name",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="wax_pot", room__isnull=False)
                & models.Q(method__in=["soft_wax", "hard_wax"])
                | ~models.Q(kind="wax_pot") & models.Q(method=""),
                name="rooms_equipment_pot_in_room",
            ),
        ]

    def __str__(self) -> str:
        return self.name


@append_only
class EquipmentEntry(TenantModel):
    """Something that was done to a piece of equipment or read off it, as it happened."""

    equipment = TenantForeignKey("rooms.Equipment")
    #: One of rules.equipment.LogKind.
    kind = models.CharField(max_length=20)
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)
    #: The open container of stock that a pot was filled from.
    container = TenantForeignKey("rooms.OpenContainer", null=True)
    #: A reading, or the heat of a wash, in degrees Celsius.
    celsius = models.DecimalField(max_digits=6, decimal_places=3, null=True)
    #: As it was said: degrees and unit, product and lot with its label's range, minutes and means.
    said = models.JSONField(default=dict)
    #: rules.equipment.Flaw as it was recorded.
    flaws = ArrayField(models.CharField(max_length=40), default=list)

    class Meta:
        db_table = "rooms_equipment_entry"
        constraints = [
            *tenant_constraints(
                "rooms_equipment_entry",
                equipment="rooms_equipment",
                container="rooms_open_container",
            ),
            models.CheckConstraint(
                condition=models.Q(container=None) | models.Q(kind="filled"),
                name="rooms_equipment_entry_filled_from",
            ),
            models.CheckConstraint(
                condition=models.Q(happened_at__lte=models.F("recorded_at")),
                name="rooms_equipment_entry_has_been",
            ),
            models.CheckConstraint(
                condition=~models.Q(kind="measured") | models.Q(celsius__isnull=False),
                name="rooms_equipment_entry_reading",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "equipment", "happened_at"], name="rooms_equipment_entry_log"
            )
        ]

    def __str__(self) -> str:
        return self.kind


@append_only
class EquipmentStrike(TenantModel):
    """A correction: this entry was wrong. Both stay on record."""

    entry = TenantForeignKey("rooms.EquipmentEntry")
    struck_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    reason = models.CharField(max_length=500)

    class Meta:
        db_table = "rooms_equipment_strike"
        constraints = [
            *tenant_constraints("rooms_equipment_strike", entry="rooms_equipment_entry"),
            models.UniqueConstraint(
                fields=["business_id", "entry"], name="rooms_equipment_strike_once"
            ),
        ]

    def __str__(self) -> str:
        return self.reason
