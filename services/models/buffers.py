"""What is kept free around the visits of one practitioner."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class PractitionerBuffer(TenantModel):
    """A practitioner's own minutes around each visit, wherever they work; null: as the location has it."""

    person = TenantForeignKey("tenancy.Person")
    before_minutes = models.PositiveSmallIntegerField(null=True)
    after_minutes = models.PositiveSmallIntegerField(null=True)
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "services_practitioner_buffer"
        constraints = [
            *tenant_constraints("services_practitioner_buffer", person="tenancy_person"),
            models.UniqueConstraint(
                fields=["business_id", "person"], name="services_practitioner_buffer_one"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.before_minutes} {self.after_minutes}"
