"""What is due at a location and was raised."""

from django.db import models

from spa_ops.unit.tables import SyncedModel, TenantForeignKey, tenant_constraints


class DueCheck(SyncedModel):
    """One thing to be done at a location: one row per kind, subject and `due_at`, cleared by itself."""

    entity = "due_check"
    location = TenantForeignKey("tenancy.Location")
    kind = models.CharField(max_length=40)
    #: The steriliser, licence, bath, kit or the like.
    subject_id = models.UUIDField()
    what = models.CharField(max_length=200, default="")
    due_at = models.DateTimeField()
    raised_at = models.DateTimeField()
    #: 0 before it is due, 1 from then on, 2 and 3 past the location's thresholds; it never falls.
    level = models.PositiveSmallIntegerField()
    escalated_at = models.DateTimeField(null=True)
    #: When it was done, or found to be no longer asked for.
    cleared_at = models.DateTimeField(null=True)
    outcome = models.CharField(max_length=10, default="")
    #: Still open, or done, after it was due.
    late = models.BooleanField(default=False)

    class Meta:
        db_table = "services_due_check"
        constraints = [
            *tenant_constraints("services_due_check", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "kind", "subject_id", "due_at"],
                name="services_due_check_once",
            ),
            models.CheckConstraint(
                condition=models.Q(cleared_at=None, outcome="")
                | (models.Q(cleared_at__isnull=False) & ~models.Q(outcome="")),
                name="services_due_check_outcome",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "kind"],
                name="services_due_check_open",
                condition=models.Q(cleared_at=None),
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.what}"
