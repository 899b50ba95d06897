"""The price list, who can do what when, visits and their lines, payments, and rebooking."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class Service(SyncedModel):
    """One thing on the price list, with how long each part takes and what it needs."""

    entity = "service"
    name = models.CharField(max_length=200)
    area = models.CharField(max_length=40)
    method = models.CharField(max_length=40)
    set_up_minutes = models.PositiveSmallIntegerField()
    consultation_minutes = models.PositiveSmallIntegerField()
    hands_on_minutes = models.PositiveSmallIntegerField()
    aftercare_minutes = models.PositiveSmallIntegerField()
    clean_up_minutes = models.PositiveSmallIntegerField()
    price_minor = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    rebook_weeks = models.PositiveSmallIntegerField(null=True)
    room_features = ArrayField(models.CharField(max_length=40), default=list)
    #: The kind of kit that it needs; empty: single-use items only.
    kit_kind = models.CharField(max_length=40, default="")
    needs_patch_test = models.BooleanField(default=False)
    active = models.BooleanField(default=True)
    source_id = models.CharField(max_length=120, null=True)  # noqa: DJ001 - unique where present

    class Meta:
        db_table = "services_service"
        constraints = [
            *tenant_constraints("services_service"),
            models.UniqueConstraint(
                fields=["business_id", "source_id"], name="services_service_source"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class Skill(SyncedModel):
    """A person may perform a service, until it is ended."""

    entity = "skill"
    person = TenantForeignKey("tenancy.Person")
    service = TenantForeignKey("services.Service")
    ended_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_skill"
        constraints = [
            *tenant_constraints(
                "services_skill", person="tenancy_person", service="services_service"
            ),
            models.UniqueConstraint(
                fields=["business_id", "person", "service"], name="services_skill_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person_id} {self.service_id}"

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class Duty(models.TextChoices):
    """What someone on shift does: services, or set-up and turnover for others."""

    PRACTITIONER = "practitioner"
    ATTENDANT = "attendant"


class Shift(SyncedModel):
    """Every week on `weekday` (0 Monday) from `starts` to `ends` on the location's wall clock."""

    entity = "shift"
    person = TenantForeignKey("tenancy.Person")
    location = TenantForeignKey("tenancy.Location")
    duty = models.CharField(max_length=12, choices=Duty.choices)
    weekday = models.PositiveSmallIntegerField()
    starts = models.TimeField()
    ends = models.TimeField()
    valid_from = models.DateField()
    valid_until = models.DateField(null=True)

    class Meta:
        db_table = "services_shift"
        constraints = [
            *tenant_constraints(
                "services_shift", person="tenancy_person", location="tenancy_location"
            ),
            models.CheckConstraint(
                condition=models.Q(weekday__lte=6), name="services_shift_weekday"
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "location", "weekday"], name="services_shift_day")
        ]

    def __str__(self) -> str:
        return f"{self.person_id} {self.weekday} {self.starts}"


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
    source_id = models.CharField(max_length=300, null=True)  # noqa: DJ001 - unique where present

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
    state = models.CharField(max_length=12, choices=LineState.choices)
    price_minor = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    verdict = models.CharField(max_length=24, default="")
    #: The location's date on which the verdict was made; it holds for that day only.
    screened_on = models.DateField(null=True)
    earliest_on = models.DateField(null=True)
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


@append_only
class Charge(TenantModel):
    """What one line costs in the end, with whom it was earned by; the newest row of a line holds.

    Minor units of `currency`; price - discount + tax + tip is what is owed.
    """

    visit = TenantForeignKey("services.Visit")
    line = TenantForeignKey("services.Line")
    practitioner = TenantForeignKey("tenancy.Person")
    currency = models.CharField(max_length=3)
    price_minor = models.PositiveIntegerField()
    discount_minor = models.PositiveIntegerField()
    tax_minor = models.PositiveIntegerField()
    tip_minor = models.PositiveIntegerField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_charge"
        constraints = [
            *tenant_constraints(
                "services_charge",
                visit="services_visit",
                line="services_line",
                practitioner="tenancy_person",
            ),
            models.CheckConstraint(
                condition=models.Q(discount_minor__lte=models.F("price_minor")),
                name="services_charge_discount",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_charge_visit")]

    def __str__(self) -> str:
        return f"{self.price_minor} {self.currency}"


class PaymentMeans(models.TextChoices):
    """How money came. Never a card number: the terminal keeps that."""

    CASH = "cash"
    CARD_TERMINAL = "card_terminal"
    BANK_TRANSFER = "bank_transfer"
    GIFT_VOUCHER = "gift_voucher"
    OTHER = "other"


class PaymentKind(models.TextChoices):
    PAYMENT = "payment"
    REFUND = "refund"
    VOID = "void"


@append_only
class Payment(TenantModel):
    """Money in (positive) or back (negative); refund and void name the payment and a reason."""

    visit = TenantForeignKey("services.Visit")
    location = TenantForeignKey("tenancy.Location")
    #: Without gaps per location.
    receipt_number = models.PositiveIntegerField()
    kind = models.CharField(max_length=8, choices=PaymentKind.choices)
    means = models.CharField(max_length=16, choices=PaymentMeans.choices)
    amount_minor = models.IntegerField()
    currency = models.CharField(max_length=3)
    of_payment = TenantForeignKey("services.Payment", null=True)
    paid_by = models.CharField(max_length=200, default="")
    reason = models.CharField(max_length=500, default="")
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_payment"
        constraints = [
            *tenant_constraints(
                "services_payment",
                visit="services_visit",
                location="tenancy_location",
                of_payment="services_payment",
            ),
            models.UniqueConstraint(
                fields=["business_id", "location", "receipt_number"],
                name="services_payment_receipt",
            ),
            models.CheckConstraint(
                condition=(models.Q(kind="payment", amount_minor__gt=0, of_payment=None))
                | (
                    models.Q(
                        kind__in=["refund", "void"], amount_minor__lt=0, of_payment__isnull=False
                    )
                ),
                name="services_payment_sign",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "visit"], name="services_payment_visit")]

    def __str__(self) -> str:
        return f"{self.receipt_number}: {self.amount_minor} {self.currency}"


class ReceiptCounter(TenantModel):
    """The last receipt number of a location; its id is the location's. Locked while one is given out."""

    last_number = models.PositiveIntegerField(default=0)

    class Meta:
        db_table = "services_receipt_counter"
        constraints = tenant_constraints("services_receipt_counter")

    def __str__(self) -> str:
        return f"{self.id}: {self.last_number}"


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
