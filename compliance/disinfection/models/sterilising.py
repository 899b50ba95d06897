"""Sterilisers, their repairs, loads and spore tests."""

from django.db import models

from compliance.disinfection.rules.sterilising import SporeResult, SteriliserMethod
from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class Steriliser(SyncedModel):
    """A steriliser with its programmes, as its maker states them.

    `out_of_use_since` follows from its spore tests and is kept here; nobody sets it.
    """

    entity = "steriliser"
    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    method = models.CharField(max_length=20, choices=[(m.value, m.value) for m in SteriliserMethod])
    serial_number = models.CharField(max_length=60, default="")
    #: [{"name": "wrapped", "celsius": "121", "minutes": "30", "kilopascals": "103" or null}, ...]
    programmes = models.JSONField()
    #: The pouches' shelf life in days; 0: a pouch keeps until it is opened, torn or wet.
    pouch_days = models.PositiveIntegerField(default=0)
    installed_at = models.DateTimeField()
    retired_at = models.DateTimeField(null=True)
    out_of_use_since = models.DateTimeField(null=True)

    class Meta:
        db_table = "disinfection_steriliser"
        constraints = [
            *tenant_constraints("disinfection_steriliser", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"], name="disinfection_steriliser_name"
            ),
        ]

    def __str__(self) -> str:
        return self.name


@append_only
class SteriliserRepair(TenantModel):
    """A repair that may change how it sterilises: the count of good tests begins anew."""

    steriliser = TenantForeignKey("disinfection.Steriliser")
    repaired_at = models.DateTimeField()
    what = models.CharField(max_length=500)
    recorded_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)

    class Meta:
        db_table = "disinfection_steriliser_repair"
        constraints = tenant_constraints(
            "disinfection_steriliser_repair", steriliser="disinfection_steriliser"
        )
        indexes = [
            models.Index(
                fields=["business_id", "steriliser"], name="disinfection_repair_steriliser"
            )
        ]

    def __str__(self) -> str:
        return self.what


class LoadState(models.TextChoices):
    """What became of a load; only a released one clears what is in it."""

    RUNNING = "running"
    FINISHED = "finished"
    RELEASED = "released"
    FAILED = "failed"
    RECALLED = "recalled"


class SteriliserLoad(SyncedModel):
    """One run of a steriliser: its programme as set, what it reached, what its integrator showed."""

    entity = "steriliser_load"
    steriliser = TenantForeignKey("disinfection.Steriliser")
    location = TenantForeignKey("tenancy.Location")
    number = models.PositiveIntegerField()
    programme = models.CharField(max_length=60)
    set_celsius = models.DecimalField(max_digits=5, decimal_places=2)
    set_minutes = models.DecimalField(max_digits=6, decimal_places=2)
    set_kilopascals = models.DecimalField(max_digits=6, decimal_places=2, null=True)
    started_at = models.DateTimeField()
    started_by = models.UUIDField(null=True)
    finished_at = models.DateTimeField(null=True)
    finished_by = models.UUIDField(null=True)
    reached_celsius = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    reached_minutes = models.DecimalField(max_digits=6, decimal_places=2, null=True)
    reached_kilopascals = models.DecimalField(max_digits=6, decimal_places=2, null=True)
    integrator = models.CharField(max_length=10, default="")
    integrator_class = models.PositiveSmallIntegerField(null=True)
    integrator_lot = models.CharField(max_length=60, default="")
    integrator_read_at = models.DateTimeField(null=True)
    integrator_read_by = models.UUIDField(null=True)
    state = models.CharField(max_length=10, choices=LoadState.choices, default=LoadState.RUNNING)
    #: Why it was not released, or no longer counts; codes of the rules, or `withdrawn`.
    faults = models.JSONField(default=list)
    #: What was done about a failure, in a person's words.
    action_taken = models.CharField(max_length=500, default="")
    keeps_until = models.DateTimeField(null=True)

    class Meta:
        db_table = "disinfection_steriliser_load"
        constraints = [
            *tenant_constraints(
                "disinfection_steriliser_load",
                steriliser="disinfection_steriliser",
                location="tenancy_location",
            ),
            models.UniqueConstraint(
                fields=["business_id", "steriliser", "number"],
                name="disinfection_steriliser_load_number",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "steriliser", "started_at"],
                name="disinfection_load_started",
            )
        ]

    def __str__(self) -> str:
        return f"load {self.number}"


@append_only
class LoadItem(TenantModel):
    """An implement in a load, and the pouch it lay in."""

    load = TenantForeignKey("disinfection.SteriliserLoad")
    implement = TenantForeignKey("disinfection.Implement")
    pouch = models.CharField(max_length=60)

    class Meta:
        db_table = "disinfection_load_item"
        constraints = [
            *tenant_constraints(
                "disinfection_load_item",
                load="disinfection_steriliser_load",
                implement="disinfection_implement",
            ),
            models.UniqueConstraint(
                fields=["business_id", "load", "implement"], name="disinfection_load_item_once"
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "implement"], name="disinfection_load_implement")
        ]

    def __str__(self) -> str:
        return self.pouch


class SporeTest(SyncedModel):
    """A biological test of a steriliser: run, sent or incubated, read."""

    entity = "spore_test"
    steriliser = TenantForeignKey("disinfection.Steriliser")
    location = TenantForeignKey("tenancy.Location")
    load = TenantForeignKey("disinfection.SteriliserLoad", null=True)
    lot = models.CharField(max_length=60)
    #: Who incubates and reads it; empty: the house itself.
    laboratory = models.CharField(max_length=120, default="")
    taken_at = models.DateTimeField()
    taken_by = models.UUIDField(null=True)
    result = models.CharField(
        max_length=10,
        choices=[(r.value, r.value) for r in SporeResult],
        default=SporeResult.PENDING.value,
    )
    read_at = models.DateTimeField(null=True)
    read_by = models.UUIDField(null=True)

    class Meta:
        db_table = "disinfection_spore_test"
        constraints = [
            *tenant_constraints(
                "disinfection_spore_test",
                steriliser="disinfection_steriliser",
                location="tenancy_location",
                load="disinfection_steriliser_load",
            ),
            models.CheckConstraint(
                condition=models.Q(result="pending", read_at=None)
                | (~models.Q(result="pending") & models.Q(read_at__isnull=False)),
                name="disinfection_spore_test_read",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "steriliser", "taken_at"],
                name="disinfection_spore_test_taken",
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot} {self.result}"


@append_only
class SporeTestCorrection(TenantModel):
    """A result that was entered wrongly: what it said before, and why it was changed."""

    test = TenantForeignKey("disinfection.SporeTest")
    was = models.CharField(max_length=10)
    corrected_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    reason = models.CharField(max_length=500)

    class Meta:
        db_table = "disinfection_spore_correction"
        constraints = tenant_constraints(
            "disinfection_spore_correction", test="disinfection_spore_test"
        )

    def __str__(self) -> str:
        return self.reason
