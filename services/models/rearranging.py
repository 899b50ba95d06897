"""Proposals for a day that can't go on as planned."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class Rearrangement(TenantModel):
    """Who would move where and when, as it was proposed; applied once somebody agrees. Ids and times only."""

    location = TenantForeignKey("tenancy.Location")
    day = models.DateField()
    #: [{"id", "from", "until"}]: who or what is away when.
    outages = models.JSONField()
    #: Every visit that might have moved: as it was, its version then, and as it would be (null: stays).
    visits = models.JSONField()
    #: `rules.rearranging.model.Cost` by name.
    cost = models.JSONField()
    #: Proven: no other way costs less.
    is_best = models.BooleanField()
    proposed_at = models.DateTimeField()
    proposed_by = models.UUIDField(null=True)
    applied_at = models.DateTimeField(null=True)
    applied_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_rearrangement"
        constraints = tenant_constraints("services_rearrangement", location="tenancy_location")
        indexes = [
            models.Index(
                fields=["business_id", "location", "day"], name="services_rearrangement_day"
            )
        ]

    def __str__(self) -> str:
        return f"{self.location_id} {self.day}"
