"""The waiting list: who waits for which time, and what was offered to them until when."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class WaitingState(models.TextChoices):
    WAITING = "waiting"
    #: A time is kept for the client, who has to say.
    OFFERED = "offered"
    BOOKED = "booked"
    WITHDRAWN = "withdrawn"
    #: The last day that suits has passed.
    LAPSED = "lapsed"


class WaitingEntry(TenantModel):
    """A client's wish for a time, in the order of `created_at`; an entry that nothing fits keeps its place."""

    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    #: Service of each line, with its practitioner and room, or none: anybody, any room.
    lines = models.JSONField()
    from_on = models.DateField()
    until_on = models.DateField()
    #: mon..sun; empty: any day.
    weekdays = models.JSONField(default=list)
    #: Local wall times, each [from, before], within which the visit begins; empty: at any time.
    times = models.JSONField(default=list)
    note = models.CharField(max_length=500, default="")
    created_at = models.DateTimeField()
    created_by = models.UUIDField(null=True)
    state = models.CharField(
        max_length=12, choices=WaitingState.choices, default=WaitingState.WAITING
    )
    settled_at = models.DateTimeField(null=True)
    #: What was booked from it.
    visit_id = models.UUIDField(null=True)
    #: When all of its days were last looked at.
    looked_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_waiting_entry"
        constraints = tenant_constraints(
            "services_waiting_entry", location="tenancy_location", client="clients_client"
        )
        indexes = [
            models.Index(
                fields=["business_id", "location", "created_at"],
                name="services_waiting_open",
                condition=models.Q(state__in=["waiting", "offered"]),
            ),
            models.Index(fields=["business_id", "client"], name="services_waiting_client"),
        ]

    def __str__(self) -> str:
        return f"{self.state} until {self.until_on}"


class OfferState(models.TextChoices):
    OFFERED = "offered"
    ACCEPTED = "accepted"
    DECLINED = "declined"
    LAPSED = "lapsed"
    WITHDRAWN = "withdrawn"


class WaitingOffer(TenantModel):
    """A time that is kept for one who waits until `expires_at`. Its claims carry its id as their visit's."""

    entry = TenantForeignKey("services.WaitingEntry")
    location = TenantForeignKey("tenancy.Location")
    #: The lines as booking takes them, each with its start.
    lines = models.JSONField()
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    offered_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    #: `offered` also for one that has run out and was not swept up yet.
    state = models.CharField(max_length=12, choices=OfferState.choices, default=OfferState.OFFERED)
    settled_at = models.DateTimeField(null=True)
    #: The message that says so: one of rules.reminders.RebookingState, and its channel or why none.
    message_state = models.CharField(max_length=12, default="waiting")
    message_outcome = models.CharField(max_length=40, default="")
    message_due_at = models.DateTimeField()

    class Meta:
        db_table = "services_waiting_offer"
        constraints = [
            *tenant_constraints(
                "services_waiting_offer",
                entry="services_waiting_entry",
                location="tenancy_location",
            ),
            models.UniqueConstraint(
                fields=["business_id", "entry"],
                condition=models.Q(state="offered"),
                name="services_waiting_offer_one",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "expires_at"],
                name="services_waiting_offer_expiry",
                condition=models.Q(state="offered"),
            ),
            models.Index(fields=["business_id", "entry"], name="services_waiting_offer_entry"),
            models.Index(
                fields=["business_id", "message_due_at"],
                name="services_waiting_message_due",
                condition=models.Q(message_state__in=["waiting", "sending"]),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.state} until {self.expires_at}"


class WaitingDue(TenantModel):
    """Time has come free at a location since its waiting list was looked at; gone once it was.

    Written by a trigger on the claims, whatever freed them. No `from_at`: any time may have.
    """

    location = TenantForeignKey("tenancy.Location")
    since = models.DateTimeField()
    from_at = models.DateTimeField(null=True)
    until_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_waiting_due"
        constraints = tenant_constraints("services_waiting_due", location="tenancy_location")
        indexes = [
            models.Index(fields=["business_id", "location"], name="services_waiting_due_place")
        ]

    def __str__(self) -> str:
        return str(self.location_id)
