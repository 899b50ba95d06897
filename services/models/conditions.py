"""Conditions that bind a client's bookings, and the languages that a team member speaks."""

from django.db import models

from services.rules.conditions import ConditionKind
from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class BookingCondition(TenantModel):
    """One thing that binds every plan for a client, from when it is set until it is lifted."""

    client = TenantForeignKey("clients.Client")
    kind = models.CharField(max_length=24, choices=[(k.value, k.value) for k in ConditionKind])
    extra_minutes = models.PositiveSmallIntegerField(default=0)
    language = models.CharField(max_length=12, default="")
    practitioner = TenantForeignKey("tenancy.Person", null=True)
    required = models.BooleanField(default=False)
    #: Why, under the client's key: the desk sees that, leads see why.
    sealed_reason = models.BinaryField(null=True)
    recorded_at = models.DateTimeField()
    set_by = models.UUIDField(null=True)
    lifted_at = models.DateTimeField(null=True)
    lifted_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_booking_condition"
        constraints = tenant_constraints(
            "services_booking_condition", client="clients_client", practitioner="tenancy_person"
        )
        indexes = [
            models.Index(
                fields=["business_id", "client"],
                name="services_condition_standing",
                condition=models.Q(lifted_at=None),
            )
        ]

    def __str__(self) -> str:
        return self.kind


class SpokenLanguages(TenantModel):
    """The languages in which a team member can speak with a client, as codes such as pl."""

    person = TenantForeignKey("tenancy.Person")
    languages = models.JSONField()
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "services_spoken_languages"
        constraints = [
            *tenant_constraints("services_spoken_languages", person="tenancy_person"),
            models.UniqueConstraint(
                fields=["business_id", "person"], name="services_spoken_languages_one"
            ),
        ]

    def __str__(self) -> str:
        return ", ".join(self.languages)
