"""Kits and implements, and what happened to each."""

from django.db import models

from compliance.disinfection.rules.reprocessing import MOVES, ImplementState
from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    state_machine,
    tenant_constraints,
    written_once,
)


class Kit(SyncedModel):
    """A set of implements that one visit needs. `kind` is what services ask for. Its version moves
    with every implement in it.
    """

    entity = "kit"
    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=40)

    class Meta:
        db_table = "disinfection_kit"
        constraints = [
            *tenant_constraints("disinfection_kit", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"], name="disinfection_kit_name"
            ),
        ]

    def __str__(self) -> str:
        return self.name


@state_machine("state", begins=[ImplementState.SOILED], moves=MOVES, unless="derived_anew")
class Implement(TenantModel):
    """A reusable tool with its own tag. Where it stands is derived from its events and kept here.

    A new one counts as soiled until its way back is on record. `derived_anew` counts how often a
    late or struck event had it derived again: only that may take it elsewhere than a move.
    """

    kit = TenantForeignKey("disinfection.Kit")
    location = TenantForeignKey("tenancy.Location")
    tag = models.CharField(max_length=60)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=40)
    #: What it is made of, as far as labels exclude it: ["stainless_steel", ...].
    materials = models.JSONField(default=list)
    state = models.CharField(max_length=20, default="soiled")
    since = models.DateTimeField(null=True)
    flaw = models.CharField(max_length=40, default="")
    blood = models.BooleanField(default=False)
    parts_off = models.BooleanField(default=False)
    bath_id = models.UUIDField(null=True)
    agent_id = models.UUIDField(null=True)
    contact_from = models.DateTimeField(null=True)
    due_at = models.DateTimeField(null=True)
    visit_id = models.UUIDField(null=True)
    #: The contact of this instant was warned of as too long.
    soak_warned_for = models.DateTimeField(null=True)
    #: The steriliser's load it lies in or came from, and the end of its pouch's shelf life.
    load_id = models.UUIDField(null=True)
    keeps_until = models.DateTimeField(null=True)
    #: Written off: it is in no kit any more.
    written_off_at = models.DateTimeField(null=True)
    last_event_at = models.DateTimeField(null=True)
    derived_anew = models.PositiveIntegerField(default=0)

    class Meta:
        db_table = "disinfection_implement"
        constraints = [
            *tenant_constraints(
                "disinfection_implement", kit="disinfection_kit", location="tenancy_location"
            ),
            models.UniqueConstraint(
                fields=["business_id", "tag"], name="disinfection_implement_tag"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "bath_id"],
                name="disinfection_implement_bath",
                condition=models.Q(bath_id__isnull=False),
            ),
            models.Index(
                fields=["business_id", "location", "due_at"],
                name="disinfection_implement_soaking",
                condition=models.Q(state="disinfecting"),
            ),
            models.Index(
                fields=["business_id", "location", "keeps_until"],
                name="disinfection_implement_keeps",
                condition=models.Q(keeps_until__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.tag


@append_only
class ImplementEvent(TenantModel):
    """One thing that happened to an implement or to a running bath, as it happened."""

    location = TenantForeignKey("tenancy.Location")
    implement = TenantForeignKey("disinfection.Implement", null=True)
    kind = models.CharField(max_length=20)
    at = models.DateTimeField()
    agent_id = models.UUIDField(null=True)
    visit_id = models.UUIDField(null=True)
    fully_open = models.BooleanField(default=False)
    covered = models.BooleanField(default=False)
    cleaned = models.BooleanField(default=False)
    keeps_until = models.DateTimeField(null=True)
    recorded_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)

    class Meta:
        db_table = "disinfection_event"
        constraints = tenant_constraints(
            "disinfection_event", location="tenancy_location", implement="disinfection_implement"
        )
        indexes = [
            models.Index(
                fields=["business_id", "implement", "at"], name="disinfection_event_implement"
            ),
            models.Index(fields=["business_id", "agent_id", "at"], name="disinfection_event_agent"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.at}"


@append_only
class EventStrike(TenantModel):
    """A correction: this event did not happen. Both stay on record."""

    event = TenantForeignKey("disinfection.ImplementEvent")
    struck_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    reason = models.CharField(max_length=500)

    class Meta:
        db_table = "disinfection_event_strike"
        constraints = [
            *tenant_constraints("disinfection_event_strike", event="disinfection_event"),
            models.UniqueConstraint(
                fields=["business_id", "event"], name="disinfection_event_strike_once"
            ),
        ]

    def __str__(self) -> str:
        return self.reason


@append_only
class KitUse(TenantModel):
    """A kit was opened for a visit, and whether every implement in it was cleared at that moment.

    Opened uncleared and brought back since, it is opened once more for the same visit.
    """

    kit = TenantForeignKey("disinfection.Kit")
    visit_id = models.UUIDField()
    opened_at = models.DateTimeField()
    cleared = models.BooleanField()
    person_id = models.UUIDField(null=True)
    #: What was counted out: the kit's implements at that moment.
    implement_ids = models.JSONField(default=list)

    class Meta:
        db_table = "disinfection_kit_use"
        constraints = [
            *tenant_constraints("disinfection_kit_use", kit="disinfection_kit"),
            models.UniqueConstraint(
                fields=["business_id", "visit_id", "kit", "cleared"],
                name="disinfection_kit_use_once",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "kit", "opened_at"], name="disinfection_kit_use_opened"
            )
        ]

    def __str__(self) -> str:
        return f"{self.kit_id} for {self.visit_id}"


@append_only
class KitCount(TenantModel):
    """A kit was counted back after a visit: how many pieces went out and how many did not come back."""

    kit = TenantForeignKey("disinfection.Kit")
    visit_id = models.UUIDField()
    counted_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    pieces_out = models.PositiveIntegerField()
    pieces_missing = models.PositiveIntegerField()

    class Meta:
        db_table = "disinfection_kit_count"
        constraints = tenant_constraints("disinfection_kit_count", kit="disinfection_kit")
        indexes = [
            models.Index(
                fields=["business_id", "visit_id", "kit", "counted_at"],
                name="disinfection_kit_count_visit",
            )
        ]

    def __str__(self) -> str:
        return f"{self.kit_id} after {self.visit_id}"


@written_once("implement_id", "visit_id", "missed_at", "settled_at")
class MissingPiece(TenantModel):
    """An implement that went out for a visit and did not come back, until it is found or written off."""

    location = TenantForeignKey("tenancy.Location")
    kit = TenantForeignKey("disinfection.Kit")
    implement = TenantForeignKey("disinfection.Implement")
    visit_id = models.UUIDField()
    missed_at = models.DateTimeField()
    missed_by = models.UUIDField(null=True)
    settled_at = models.DateTimeField(null=True)
    settled_by = models.UUIDField(null=True)
    #: `found`, or what became of it: see `rules.counting.Outcome`.
    outcome = models.CharField(max_length=20, default="")

    class Meta:
        db_table = "disinfection_missing"
        constraints = [
            *tenant_constraints(
                "disinfection_missing",
                location="tenancy_location",
                kit="disinfection_kit",
                implement="disinfection_implement",
            ),
            models.UniqueConstraint(
                fields=["business_id", "implement"],
                name="disinfection_missing_once",
                condition=models.Q(settled_at=None),
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "visit_id"], name="disinfection_missing_visit"),
            models.Index(
                fields=["business_id", "location", "missed_at"],
                name="disinfection_missing_open",
                condition=models.Q(settled_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.implement_id} since {self.missed_at}"
