"""Kits and implements, disinfectant products by their label, soak solutions, and what happened to each."""

from django.db import models

from spa_ops.unit.tables import SyncedModel, TenantForeignKey, tenant_constraints


class Kit(SyncedModel):
    """A set of implements that one visit needs. `kind` is what services ask for."""

    entity = "kit"
    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=40)

    class Meta:
        db_table = "disinfection_kit"
        constraints = [
            *tenant_constraints("disinfection_kit", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"], name="disinfection_kit_name"
            ),
        ]

    def __str__(self) -> str:
        return self.name
