"""Opening and closing lists of a location's days, and their ticks."""

from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class CheckList(SyncedModel):
    """A location's opening or closing list of one local day; made with its first tick."""

    entity = "check_list"
    location = TenantForeignKey("tenancy.Location")
    #: One of rules.check_lists.ListKind.
    kind = models.CharField(max_length=8)
    day = models.DateField()
    begun_at = models.DateTimeField()
    signed_off_at = models.DateTimeField(null=True)
    signed_off_by = models.UUIDField(null=True)
    #: How many rows stood as done, and were not done or blank, when it was signed off.
    done = models.PositiveSmallIntegerField(null=True)
    not_done = models.PositiveSmallIntegerField(null=True)

    class Meta:
        db_table = "rooms_check_list"
        constraints = [
            *tenant_constraints("rooms_check_list", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "kind", "day"], name="rooms_check_list_once"
            ),
            models.CheckConstraint(
                condition=models.Q(signed_off_at=None, signed_off_by=None)
                | models.Q(signed_off_at__isnull=False, signed_off_by__isnull=False),
                name="rooms_check_list_signed_by_name",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.day}"


@append_only
class CheckTick(TenantModel):
    """A row of a list was done, or is not done after all; the last one of a row holds."""

    check_list = TenantForeignKey("rooms.CheckList")
    #: A key of rules.check_lists.Row.
    item = models.CharField(max_length=80)
    done = models.BooleanField()
    number = models.DecimalField(max_digits=8, decimal_places=2, null=True)
    contradicted = models.BooleanField()
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "rooms_check_tick"
        constraints = [
            *tenant_constraints("rooms_check_tick", check_list="rooms_check_list"),
            models.CheckConstraint(
                condition=models.Q(happened_at__lte=models.F("recorded_at")),
                name="rooms_check_tick_has_been",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "check_list"], name="rooms_check_tick_list")]

    def __str__(self) -> str:
        return f"{self.item} {self.done}"
