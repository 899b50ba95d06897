"""Treatment rooms and their state."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import SyncedModel, TenantForeignKey, tenant_constraints


class RoomState(models.TextChoices):
    READY = "ready"
    IN_SERVICE = "in_service"
    NEEDS_TURNOVER = "needs_turnover"
    TURNING_OVER = "turning_over"
    OUT_OF_USE = "out_of_use"


class Room(SyncedModel):
    """A treatment room. A new one needs turnover: nobody has said yet that it is clean."""

    entity = "room"
    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    features = ArrayField(models.CharField(max_length=40), default=list)
    state = models.CharField(
        max_length=16, choices=RoomState.choices, default=RoomState.NEEDS_TURNOVER
    )
    state_since = models.DateTimeField()
    #: The visit that is in it, or that left it last.
    visit_id = models.UUIDField(null=True)
    #: Ready lapses at this instant, the local closing.
    ready_until = models.DateTimeField(null=True)
    out_of_use_reason = models.CharField(max_length=500, default="")

    class Meta:
        db_table = "rooms_room"
        constraints = [
            *tenant_constraints("rooms_room", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"], name="rooms_room_name"
            ),
        ]

    def __str__(self) -> str:
        return self.name
