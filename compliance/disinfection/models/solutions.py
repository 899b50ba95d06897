"""Disinfectants by their labels, the containers they are mixed in, and what was done to each bath."""

from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    only_earlier,
    tenant_constraints,
    written_once,
)


class Product(SyncedModel):
    """A disinfectant as its label states it. Without a contact time on file it clears nothing."""

    entity = "disinfectant"
    name = models.CharField(max_length=120)
    active = models.CharField(max_length=200)
    registration_number = models.CharField(max_length=60, default="")
    #: Parts of concentrate ADDED to parts of water; no water: ready to use.
    parts_concentrate = models.DecimalField(max_digits=9, decimal_places=4)
    parts_water = models.DecimalField(max_digits=9, decimal_places=4)
    contact_seconds = models.PositiveIntegerField(null=True)
    hospital_type = models.BooleanField(default=False)
    #: How long or how often a prepared bath may be used: [{"kind": "days", "amount": 14}, ...].
    use_limits = models.JSONField(default=list)
    cautions = models.CharField(max_length=1000, default="")
    family = models.CharField(max_length=20, default="other")
    #: Of the concentrate; bleach is never on file without it.
    strength_percent = models.DecimalField(max_digits=6, decimal_places=3, null=True)
    #: What a bath mixed by the label shows on a strip, where the label states it.
    stated_ppm = models.DecimalField(max_digits=8, decimal_places=1, null=True)
    #: {"classes": [...], "materials": [...]}
    not_for = models.JSONField(default=dict)
    concentrate_first = models.BooleanField(default=False)
    longest_soak_seconds = models.PositiveIntegerField(null=True)

    class Meta:
        db_table = "disinfection_product"
        constraints = [
            *tenant_constraints("disinfection_product"),
            models.CheckConstraint(
                condition=models.Q(parts_concentrate__gt=0) & models.Q(parts_water__gte=0),
                name="disinfection_product_parts",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class Container(SyncedModel):
    """A marked vessel with a lid, and how much of a bath and how many implements it takes."""

    entity = "soak_container"
    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    #: How much may be poured in with implements to follow.
    capacity_ml = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    #: As it was said: {"amount": "32", "unit": "US fl oz"}.
    entered = models.JSONField(default=dict)
    #: How many implements lie wholly under in it, each wetted all around.
    pieces = models.PositiveIntegerField(null=True)
    has_lid = models.BooleanField(default=False)
    is_marked = models.BooleanField(default=False)

    class Meta:
        db_table = "disinfection_container"
        constraints = [
            *tenant_constraints("disinfection_container", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "name"], name="disinfection_container_name"
            ),
        ]

    def __str__(self) -> str:
        return self.name


@only_earlier("discard_at", until="ended_at")
@written_once("product_id", "container", "mixed_at", "pour", "ended_at")
class Solution(SyncedModel):
    """A mixed bath in its container: who mixed what, and until when it may be used."""

    entity = "solution"
    location = TenantForeignKey("tenancy.Location")
    product = TenantForeignKey("disinfection.Product")
    container = models.CharField(max_length=120)
    mixed_at = models.DateTimeField()
    mixed_by = models.UUIDField(null=True)
    concentrate_ml = models.DecimalField(max_digits=10, decimal_places=2)
    water_ml = models.DecimalField(max_digits=10, decimal_places=2)
    #: As it was read off the jug: [{"amount": "2", "unit": "US fl oz"}, ...].
    entered = models.JSONField(default=dict)
    #: The pour against the label; weaker or far too strong is on record and not usable.
    pour = models.CharField(max_length=8)
    contact_seconds = models.PositiveIntegerField(null=True)
    discard_at = models.DateTimeField()
    #: Every limit with its instant and origin, the binding one first.
    limits = models.JSONField(default=list)
    uses_allowed = models.PositiveIntegerField(null=True)
    uses = models.PositiveIntegerField(default=0)
    voided_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    end_reason = models.CharField(max_length=40, default="")
    #: What was wrong with it from the start: [{"code", "what_to_do", "basis"}, ...], worst first.
    findings = models.JSONField(default=list)
    #: The container's, when it was mixed.
    capacity_ml = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    pieces_allowed = models.PositiveIntegerField(null=True)

    class Meta:
        db_table = "disinfection_solution"
        constraints = [
            *tenant_constraints(
                "disinfection_solution", location="tenancy_location", product="disinfection_product"
            ),
            # A container holds one bath at a time, whoever mixes when.
            models.UniqueConstraint(
                fields=["business_id", "location", "container"],
                name="disinfection_solution_in_container",
                condition=models.Q(ended_at=None),
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "container", "mixed_at"],
                name="disinfection_solution_before",
            ),
            models.Index(
                fields=["business_id", "location", "discard_at"],
                name="disinfection_solution_due",
                condition=models.Q(ended_at=None),
            ),
        ]

    def __str__(self) -> str:
        return self.container


@append_only
class TopUp(TenantModel):
    """Concentrate or water poured into a running bath, and how strong that left it."""

    location = TenantForeignKey("tenancy.Location")
    solution = TenantForeignKey("disinfection.Solution")
    poured_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    concentrate_ml = models.DecimalField(max_digits=10, decimal_places=2)
    water_ml = models.DecimalField(max_digits=10, decimal_places=2)
    entered = models.JSONField(default=dict)
    #: The whole bath against the label, this and every earlier pour included.
    pour = models.CharField(max_length=8)

    class Meta:
        db_table = "disinfection_top_up"
        constraints = tenant_constraints(
            "disinfection_top_up", location="tenancy_location", solution="disinfection_solution"
        )
        indexes = [
            models.Index(
                fields=["business_id", "solution", "poured_at"], name="disinfection_top_up_solution"
            )
        ]

    def __str__(self) -> str:
        return f"{self.solution_id} {self.poured_at}"


@append_only
class StripReading(TenantModel):
    """A test strip read against its target; one that shows less ends the bath."""

    location = TenantForeignKey("tenancy.Location")
    solution = TenantForeignKey("disinfection.Solution")
    read_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    reading_ppm = models.DecimalField(max_digits=8, decimal_places=1)
    target_ppm = models.DecimalField(max_digits=8, decimal_places=1)
    passed = models.BooleanField()

    class Meta:
        db_table = "disinfection_strip"
        constraints = tenant_constraints(
            "disinfection_strip", location="tenancy_location", solution="disinfection_solution"
        )
        indexes = [
            models.Index(
                fields=["business_id", "solution", "read_at"], name="disinfection_strip_solution"
            )
        ]

    def __str__(self) -> str:
        return f"{self.reading_ppm} of {self.target_ppm}"


@append_only
class SiteCheck(TenantModel):
    """Somebody looked whether a product's data sheet and labelled bottle are at a location."""

    location = TenantForeignKey("tenancy.Location")
    product = TenantForeignKey("disinfection.Product")
    looked_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    data_sheet = models.BooleanField()
    labelled_bottle = models.BooleanField()

    class Meta:
        db_table = "disinfection_site_check"
        constraints = tenant_constraints(
            "disinfection_site_check", location="tenancy_location", product="disinfection_product"
        )
        indexes = [
            models.Index(
                fields=["business_id", "location", "product", "looked_at"],
                name="disinfection_site_check_last",
            )
        ]

    def __str__(self) -> str:
        return f"{self.product_id} {self.looked_at}"
