"""What a client tells before the visit: the link that lets them, what was sent, what was confirmed."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


class IntakeLink(TenantModel):
    """The one address at which a client fills in the intake of a visit. Only its hash is kept.

    When it ends is `rules.intake.ends_at`: a visit that moves takes its link along.
    """

    visit = TenantForeignKey("services.Visit")
    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    secret_hash = models.BinaryField()
    created_at = models.DateTimeField()
    created_by = models.UUIDField(null=True)
    #: Taken back, or replaced by a newer link.
    revoked_at = models.DateTimeField(null=True)
    submitted_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_intake_link"
        constraints = [
            *tenant_constraints(
                "services_intake_link",
                visit="services_visit",
                location="tenancy_location",
                client="clients_client",
            ),
            models.UniqueConstraint(
                fields=["business_id", "secret_hash"], name="services_intake_link_secret"
            ),
            models.UniqueConstraint(
                fields=["business_id", "visit"],
                condition=models.Q(revoked_at=None),
                name="services_intake_link_one",
            ),
        ]

    def __str__(self) -> str:
        return str(self.visit_id)


@append_only
class Intake(TenantModel):
    """Told before the visit, not confirmed: sealed, and apart from the answers that screening reads."""

    link = TenantForeignKey("services.IntakeLink")
    visit = TenantForeignKey("services.Visit")
    client = TenantForeignKey("clients.Client")
    sealed = models.BinaryField()
    submitted_at = models.DateTimeField()

    class Meta:
        db_table = "services_intake"
        constraints = [
            *tenant_constraints(
                "services_intake",
                link="services_intake_link",
                visit="services_visit",
                client="clients_client",
            ),
            # Two presses at once, or two people with the link: one of them is first.
            models.UniqueConstraint(fields=["business_id", "link"], name="services_intake_once"),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_intake_visit")]

    def __str__(self) -> str:
        return str(self.visit_id)


@append_only
class IntakeConfirmation(TenantModel):
    """Which told items became answers of the visit, when and by whom. Ids only: no health fact."""

    intake = TenantForeignKey("services.Intake")
    item_ids = ArrayField(models.UUIDField())
    confirmed_at = models.DateTimeField()
    confirmed_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_intake_confirmation"
        constraints = tenant_constraints("services_intake_confirmation", intake="services_intake")
        indexes = [models.Index(fields=["business_id", "intake"], name="services_intake_confirmed")]

    def __str__(self) -> str:
        return str(self.intake_id)
