"""Treatment rooms and their state."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


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
    #: Kept free before each visit's set-up and after its turnover; null: as the location has it.
    buffer_before_minutes = models.PositiveSmallIntegerField(null=True)
    buffer_after_minutes = models.PositiveSmallIntegerField(null=True)

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


class Turnover(TenantModel):
    """One room's way back to ready after a visit; made when the client leaves."""

    room = TenantForeignKey("rooms.Room")
    visit_id = models.UUIDField(null=True)
    #: When the client left; None where a room came back from being out of use or lapsed.
    left_at = models.DateTimeField(null=True)
    due_since = models.DateTimeField()
    blood_seen = models.BooleanField(default=False)
    begun_at = models.DateTimeField(null=True)
    begun_by = models.UUIDField(null=True)
    finished_at = models.DateTimeField(null=True)
    plan_version = models.CharField(max_length=80, default="")
    #: The surface product's label: how long it must stay wet; None: no label time on file.
    product_id = models.UUIDField(null=True)
    wet_seconds = models.PositiveIntegerField(null=True)
    hospital_type = models.BooleanField(default=False)

    class Meta:
        db_table = "rooms_turnover"
        constraints = [
            *tenant_constraints("rooms_turnover", room="rooms_room"),
            models.UniqueConstraint(
                fields=["business_id", "room"],
                condition=models.Q(finished_at=None),
                name="rooms_turnover_one_open",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.room_id} since {self.due_since}"


@append_only
class StepReport(TenantModel):
    """A step as it was reported: recorded as it happened, also when it does not count."""

    turnover = TenantForeignKey("rooms.Turnover")
    code = models.CharField(max_length=40)
    at = models.DateTimeField()
    wet_from = models.DateTimeField(null=True)
    #: Of the product that this step was done with; None: no label time is on file, or it is not known.
    wet_seconds = models.PositiveIntegerField(null=True)
    hospital_type = models.BooleanField(default=False)
    person_id = models.UUIDField(null=True)

    class Meta:
        db_table = "rooms_step_report"
        constraints = tenant_constraints("rooms_step_report", turnover="rooms_turnover")
        indexes = [
            models.Index(
                fields=["business_id", "turnover", "at"], name="rooms_step_report_turnover"
            )
        ]

    def __str__(self) -> str:
        return self.code


@append_only
class StepStrike(TenantModel):
    """A correction: this step was not done as reported. Both stay on record."""

    report = TenantForeignKey("rooms.StepReport")
    struck_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    reason = models.CharField(max_length=500)

    class Meta:
        db_table = "rooms_step_strike"
        constraints = [
            *tenant_constraints("rooms_step_strike", report="rooms_step_report"),
            models.UniqueConstraint(
                fields=["business_id", "report"], name="rooms_step_strike_once"
            ),
        ]

    def __str__(self) -> str:
        return self.reason


class Flag(SyncedModel):
    """Something late about a room; one per room, kind and what it is about, cleared by itself.

    `level` is 1 when it is due, 2 and 3 past the location's thresholds; it never falls.
    """

    entity = "room_flag"
    location = TenantForeignKey("tenancy.Location")
    room = TenantForeignKey("rooms.Room")
    kind = models.CharField(max_length=40)
    about = models.DateTimeField()
    due_at = models.DateTimeField()
    raised_at = models.DateTimeField()
    level = models.PositiveSmallIntegerField(default=1)
    escalated_at = models.DateTimeField(null=True)
    cleared_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "rooms_flag"
        constraints = [
            *tenant_constraints("rooms_flag", location="tenancy_location", room="rooms_room"),
            models.UniqueConstraint(
                fields=["business_id", "room", "kind", "about"], name="rooms_flag_once"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location"],
                name="rooms_flag_open",
                condition=models.Q(cleared_at=None),
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.room_id}"
