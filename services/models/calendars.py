"""Addresses at which a calendar program reads when a practitioner or a room is taken."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class CalendarFeed(TenantModel):
    """One secret address for one person's or one room's visits at one location. Only its hash is kept."""

    location = TenantForeignKey("tenancy.Location")
    person = TenantForeignKey("tenancy.Person", null=True)
    room = TenantForeignKey("rooms.Room", null=True)
    secret_hash = models.BinaryField()
    created_at = models.DateTimeField()
    created_by = models.UUIDField(null=True)
    #: Taken back, or replaced by a newer address.
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_calendar_feed"
        constraints = [
            *tenant_constraints(
                "services_calendar_feed",
                location="tenancy_location",
                person="tenancy_person",
                room="rooms_room",
            ),
            models.CheckConstraint(
                condition=models.Q(person=None, room__isnull=False)
                | models.Q(person__isnull=False, room=None),
                name="services_calendar_feed_whose",
            ),
            models.UniqueConstraint(
                fields=["business_id", "secret_hash"], name="services_calendar_feed_secret"
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "person"],
                condition=models.Q(revoked_at=None),
                name="services_calendar_feed_person",
            ),
            models.UniqueConstraint(
                fields=["business_id", "room"],
                condition=models.Q(revoked_at=None),
                name="services_calendar_feed_room",
            ),
        ]

    def __str__(self) -> str:
        return str(self.person_id or self.room_id)
