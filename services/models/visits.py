"""Visits, their lines and what became of them, and the dates to come back."""

from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
    words_go_with_the_client,
)


class VisitState(models.TextChoices):
    BOOKED = "booked"
    ARRIVED = "arrived"
    IN_ROOM = "in_room"
    LEFT = "left"
    CANCELLED = "cancelled"
    NO_SHOW = "no_show"


class LineState(models.TextChoices):
    PLANNED = "planned"
    STARTED = "started"
    PAUSED = "paused"
    STOPPED = "stopped"
    FINISHED = "finished"
    DROPPED = "dropped"


class Visit(SyncedModel):
    """One client's stay. Its version moves with every write to a line, consultation or claim."""

    entity = "visit"
    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    state = models.CharField(max_length=12, choices=VisitState.choices)
    walk_in = models.BooleanField(default=False)
    #: When the client is expected: the first line's consultation.
    starts_at = models.DateTimeField()
    #: Where the client is now.
    room_id = models.UUIDField(null=True)
    booked_at = models.DateTimeField()
    booked_by = models.UUIDField(null=True)
    #: The house's cancellation policy as it was shown at booking.
    policy_shown = models.CharField(max_length=1000, default="")
    arrived_at = models.DateTimeField(null=True)
    seated_at = models.DateTimeField(null=True)
    left_at = models.DateTimeField(null=True)
    checked_out_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=2000, default="")
    #: Since when a minor's guardian is here, as somebody saw; None: not seen.
    guardian_present_at = models.DateTimeField(null=True)
    #: What became of the offer of a chaperone; None: not offered.
    chaperone_accepted = models.BooleanField(null=True)
    chaperone_id = models.UUIDField(null=True)
    source_id = models.CharField(max_length=300, null=True)  # noqa: DJ001 - unique where present
    #: The same for visits that were booked together, such as a couple's.
    link_id = models.UUIDField(null=True)

    class Meta:
        db_table = "services_visit"
        constraints = [
            *tenant_constraints(
                "services_visit", location="tenancy_location", client="clients_client"
            ),
            models.UniqueConstraint(
                fields=["business_id", "source_id"], name="services_visit_source"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "starts_at"], name="services_visit_day"
            ),
            models.Index(
                fields=["business_id", "client", "starts_at"], name="services_visit_client"
            ),
            models.Index(
                fields=["business_id", "link_id"],
                name="services_visit_link",
                condition=models.Q(link_id__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.state} {self.starts_at:%Y-%m-%d %H:%M}"


class Line(TenantModel):
    """One service in a visit: who, where, with which kit, from when to when, and its verdict.

    The spans follow each other: set-up, consultation, hands-on, aftercare, turnover.
    """

    visit = TenantForeignKey("services.Visit")
    position = models.PositiveSmallIntegerField()
    service = TenantForeignKey("services.Service")
    area = models.CharField(max_length=40)
    method = models.CharField(max_length=40)
    practitioner = TenantForeignKey("tenancy.Person")
    room = TenantForeignKey("rooms.Room")
    kit = TenantForeignKey("disinfection.Kit", null=True)
    #: Who sets up and who turns over: an attendant on shift, else the practitioner.
    set_up_by = models.UUIDField()
    turnover_by = models.UUIDField()
    set_up_at = models.DateTimeField()
    starts_at = models.DateTimeField()
    hands_on_at = models.DateTimeField()
    aftercare_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    turnover_ends_at = models.DateTimeField()
    #: From then to `aftercare_at` it develops and nobody needs to be with the client.
    unattended_at = models.DateTimeField(null=True)
    #: Planned with the service's shortest hands-on time.
    shortened = models.BooleanField(default=False)
    state = models.CharField(max_length=12, choices=LineState.choices)
    price_minor = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    verdict = models.CharField(max_length=24, default="")
    #: The location's date on which the verdict was made; it holds for that day only.
    screened_on = models.DateField(null=True)
    earliest_on = models.DateField(null=True)
    #: Where a patch test's lead time is what is waited for: its end, to the second.
    earliest_at = models.DateTimeField(null=True)
    rules_version = models.CharField(max_length=40, default="")
    #: Reasons, sealed: the desk sees outcome and date, never why.
    sealed_screening = models.BinaryField(null=True)
    overridden_by = models.UUIDField(null=True)
    overridden_at = models.DateTimeField(null=True)
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    blood_seen_at = models.DateTimeField(null=True)
    #: Blood was seen and has not been recorded as stopped: nothing restarts.
    bleeding_since = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_line"
        constraints = [
            *tenant_constraints(
                "services_line",
                visit="services_visit",
                service="services_service",
                practitioner="tenancy_person",
                room="rooms_room",
                kit="disinfection_kit",
            ),
            models.UniqueConstraint(
                fields=["business_id", "visit", "position"], name="services_line_position"
            ),
            models.CheckConstraint(
                condition=models.Q(set_up_at__lte=models.F("starts_at"))
                & models.Q(starts_at__lte=models.F("hands_on_at"))
                & models.Q(hands_on_at__lt=models.F("aftercare_at"))
                & models.Q(aftercare_at__lte=models.F("ends_at"))
                & models.Q(ends_at__lte=models.F("turnover_ends_at")),
                name="services_line_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.area} {self.method} {self.state}"


@append_only
@words_go_with_the_client("reason", by="visit_id", of="services_visit")
class VisitChange(TenantModel):
    """Booked, moved, cancelled or not come: when, by whom, with how much notice, and the policy shown."""

    visit = TenantForeignKey("services.Visit")
    kind = models.CharField(max_length=12)
    at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    notice_minutes = models.IntegerField(null=True)
    was_at = models.DateTimeField(null=True)
    is_at = models.DateTimeField(null=True)
    reason = models.CharField(max_length=500, default="")
    policy_shown = models.CharField(max_length=1000, default="")

    class Meta:
        db_table = "services_visit_change"
        constraints = tenant_constraints("services_visit_change", visit="services_visit")
        indexes = [
            models.Index(fields=["business_id", "visit", "at"], name="services_visit_change_visit")
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.at}"


@append_only
class WorkRecord(TenantModel):
    """What was done in a line, sealed under the client's key; a correction is a later row."""

    line = TenantForeignKey("services.Line")
    client = TenantForeignKey("clients.Client")
    sealed = models.BinaryField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_work_record"
        constraints = tenant_constraints(
            "services_work_record", line="services_line", client="clients_client"
        )
        indexes = [models.Index(fields=["business_id", "line"], name="services_work_record_line")]

    def __str__(self) -> str:
        return str(self.line_id)


class Rebooking(SyncedModel):
    """When a client should come back for a service, and the one reminder that says so."""

    entity = "rebooking"
    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    line = TenantForeignKey("services.Line")
    service = TenantForeignKey("services.Service")
    rebook_on = models.DateField()
    #: When the reminder may first go out; moved by quiet hours, never by a retry of the queue.
    remind_at = models.DateTimeField()
    #: One of rules.reminders.RebookingState.
    state = models.CharField(max_length=12, default="waiting")
    #: The channel where a message goes or went, else why none did.
    outcome = models.CharField(max_length=40, default="")
    #: Since when it is in this state; None while it waits.
    settled_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_rebooking"
        constraints = [
            *tenant_constraints(
                "services_rebooking",
                location="tenancy_location",
                client="clients_client",
                line="services_line",
                service="services_service",
            ),
            models.UniqueConstraint(
                fields=["business_id", "client", "line", "rebook_on"],
                name="services_rebooking_once",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "remind_at"],
                name="services_rebooking_due",
                condition=models.Q(state="waiting"),
            ),
            models.Index(
                fields=["business_id", "settled_at"],
                name="services_rebooking_sending",
                condition=models.Q(state="sending"),
            ),
            models.Index(
                fields=["business_id", "location", "rebook_on"], name="services_rebooking_place"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.client_id} on {self.rebook_on}"


class ForesightDue(TenantModel):
    """Something about a client changed since their coming visits were last looked at; gone once they are."""

    client = TenantForeignKey("clients.Client")
    since = models.DateTimeField()

    class Meta:
        db_table = "services_foresight_due"
        constraints = tenant_constraints("services_foresight_due", client="clients_client")
        indexes = [
            models.Index(fields=["business_id", "client"], name="services_foresight_due_client")
        ]

    def __str__(self) -> str:
        return str(self.client_id)


class ForesightRun(TenantModel):
    """How far a business's coming visits have been looked at under one set of screening rules."""

    rules_digest = models.CharField(max_length=64)
    #: Clients up to this id are done.
    after = models.UUIDField()
    begun_at = models.DateTimeField()
    completed_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_foresight_run"
        constraints = [
            *tenant_constraints("services_foresight_run"),
            models.UniqueConstraint(fields=["business_id"], name="services_foresight_run_one"),
        ]

    def __str__(self) -> str:
        return f"{self.rules_digest[:8]} behind {self.after}"
