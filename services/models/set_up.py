"""What was laid out for a visit, item by item."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


@append_only
class SetUpTick(TenantModel):
    """An item of a visit's set-up list was laid out, or is not after all; the last one of an item holds.

    `item` is a key of `rules.set_up`: the same whatever the client declared, so that it tells nothing.
    """

    visit = TenantForeignKey("services.Visit")
    client = TenantForeignKey("clients.Client")
    item = models.CharField(max_length=80)
    #: How many were asked for when it was laid out; 0 when it was undone.
    count = models.PositiveSmallIntegerField()
    laid_out = models.BooleanField()
    #: As whoever did it says; `recorded_at` is the server's.
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_set_up_tick"
        constraints = tenant_constraints(
            "services_set_up_tick", visit="services_visit", client="clients_client"
        )
        indexes = [models.Index(fields=["business_id", "visit"], name="services_set_up_tick_visit")]

    def __str__(self) -> str:
        return f"{self.item} {self.laid_out}"
