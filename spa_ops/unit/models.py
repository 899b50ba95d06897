"""The stored outcomes of commands that came with an idempotency key."""

from django.db import models

from spa_ops.unit.tables import TenantModel, tenant_constraints


class StoredOutcome(TenantModel):
    """What a keyed command led to: never a body, so that a replay renders the present state."""

    principal = models.UUIDField()
    key = models.CharField(max_length=200)
    request_digest = models.BinaryField()
    status = models.PositiveSmallIntegerField()
    slug = models.CharField(max_length=80, default="")
    entity = models.CharField(max_length=40, default="")
    entity_id = models.UUIDField(null=True)
    entity_version = models.PositiveIntegerField(null=True)
    created_at = models.DateTimeField()

    class Meta:
        db_table = "unit_stored_outcome"
        constraints = [
            *tenant_constraints("unit_stored_outcome"),
            models.UniqueConstraint(
                fields=["business_id", "principal", "key"], name="unit_stored_outcome_key"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key}: {self.status}"
