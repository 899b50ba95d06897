"""Time that is kept free for a few minutes while the desk talks."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class HoldState(models.TextChoices):
    HELD = "held"
    RELEASED = "released"
    BOOKED = "booked"
    EXPIRED = "expired"


class Hold(TenantModel):
    """An option that a desk keeps for itself until `expires_at`. Its claims carry its id as their visit's.

    Nothing of the client is kept here. A row that is past its time stays a day, to say so.
    """

    location = TenantForeignKey("tenancy.Location")
    person_id = models.UUIDField(null=True)
    device_id = models.UUIDField(null=True)
    #: What is held, as it was asked for: service, practitioner, room, kit of each line.
    lines = models.JSONField()
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    held_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    #: `held` also for one that has run out and was not swept up yet.
    state = models.CharField(max_length=12, choices=HoldState.choices, default=HoldState.HELD)

    class Meta:
        db_table = "services_hold"
        constraints = tenant_constraints("services_hold", location="tenancy_location")
        indexes = [
            models.Index(fields=["business_id", "expires_at"], name="services_hold_expiry"),
        ]

    def __str__(self) -> str:
        return f"{self.state} until {self.expires_at}"
