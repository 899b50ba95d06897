"""Hand-overs between shifts."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import SyncedModel, TenantForeignKey, tenant_constraints


class HandOver(SyncedModel):
    """What stood at a location when one shift handed over to the next, as it was shown; accepted by name.

    Of incidents only how many are open and when to call back: `incident_ids` name them for those
    who may read them.
    """

    entity = "hand_over"
    location = TenantForeignKey("tenancy.Location")
    given_by = TenantForeignKey("tenancy.Person")
    given_at = models.DateTimeField()
    #: As `queries.hand_over.what_stands` made it then.
    shown = models.JSONField()
    incident_ids = ArrayField(models.UUIDField(), default=list)
    accepted_by = TenantForeignKey("tenancy.Person", null=True)
    accepted_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_hand_over"
        constraints = [
            *tenant_constraints(
                "services_hand_over",
                location="tenancy_location",
                given_by="tenancy_person",
                accepted_by="tenancy_person",
            ),
            models.CheckConstraint(
                condition=models.Q(accepted_at=None, accepted_by=None)
                | (
                    models.Q(accepted_at__gte=models.F("given_at"))
                    & ~models.Q(accepted_by=models.F("given_by"))
                ),
                name="services_hand_over_by_another",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "-given_at"], name="services_hand_over_last"
            )
        ]

    def __str__(self) -> str:
        return f"{self.location_id} {self.given_at}"
