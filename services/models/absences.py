"""Days that are worked otherwise than every week, and time for which somebody or something is away."""

from django.db import models

from services.models.price_list import Duty
from spa_ops.unit.tables import SyncedModel, TenantForeignKey, tenant_constraints


class ShiftDay(SyncedModel):
    """On the local day `on` these wall times hold instead of the person's weekly shifts of that duty there.

    `spans` is [["10:00", "14:00"], ...]; empty: not at work. Withdrawn: the weekly shifts hold again.
    """

    entity = "shift_day"
    person = TenantForeignKey("tenancy.Person")
    location = TenantForeignKey("tenancy.Location")
    duty = models.CharField(max_length=12, choices=Duty.choices)
    on = models.DateField()
    spans = models.JSONField(default=list)
    withdrawn_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_one_day"
        constraints = [
            *tenant_constraints(
                "services_one_day", person="tenancy_person", location="tenancy_location"
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "person", "duty", "on"],
                name="services_one_day_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person_id} {self.on}"


class AbsenceKind(models.TextChoices):
    """Why, in a word that tells nothing about anybody's health."""

    TIME_OFF = "time_off"
    TRAINING = "training"
    CLOSED = "closed"
    REPAIR = "repair"
    OTHER = "other"


class Absence(SyncedModel):
    """A person is off, a room closed or a kit away, from `starts_at` up to `ends_at`.

    Its claim carries its id as a visit's does. `ended_at`: given back early, from then on.
    """

    entity = "absence"
    location = TenantForeignKey("tenancy.Location")
    person = TenantForeignKey("tenancy.Person", null=True)
    room = TenantForeignKey("rooms.Room", null=True)
    kit = TenantForeignKey("disinfection.Kit", null=True)
    kind = models.CharField(max_length=12, choices=AbsenceKind.choices)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_absence"
        constraints = [
            *tenant_constraints(
                "services_absence",
                location="tenancy_location",
                person="tenancy_person",
                room="rooms_room",
                kit="disinfection_kit",
            ),
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")), name="services_absence_span"
            ),
            models.CheckConstraint(
                condition=models.Q(person=None, room=None, kit__isnull=False)
                | models.Q(person=None, room__isnull=False, kit=None)
                | models.Q(person__isnull=False, room=None, kit=None),
                name="services_absence_of_one",
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "location", "ends_at"], name="services_absence_day")
        ]

    def __str__(self) -> str:
        return f"{self.kind} until {self.ends_at}"
