"""Files that are being taken in: how far each came, and the rows waiting to be applied."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class RunState(models.TextChoices):
    STAGING = "staging"
    #: Every row was read; nothing is applied yet.
    STAGED = "staged"
    COMPLETED = "completed"
    #: Tried dry, refused, or overtaken by another file: its rows are gone and it changed nothing.
    DISCARDED = "discarded"


class ImportRun(TenantModel):
    """One file's way in. `read_as` is a digest of all that decides how its rows are read."""

    location = TenantForeignKey("tenancy.Location")
    what = models.CharField(max_length=12)
    file_sha256 = models.CharField(max_length=64)
    read_as = models.CharField(max_length=64)
    state = models.CharField(max_length=12, choices=RunState.choices, default=RunState.STAGING)
    #: Every row up to this number is staged.
    read_through = models.PositiveIntegerField(default=0)
    counts = models.JSONField(default=dict)
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    person_id = models.UUIDField(null=True)

    class Meta:
        db_table = "imports_run"
        constraints = [
            *tenant_constraints("imports_run", location="tenancy_location"),
            models.UniqueConstraint(
                fields=["business_id", "location", "what"],
                condition=models.Q(state__in=["staging", "staged"]),
                name="imports_run_one_open",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.what}: {self.state}"


class ImportRow(TenantModel):
    """One row as read, until its run ends: then it goes, for it repeats what stands in the file.

    `content` is None exactly when there are errors. `part` tells the visits of one series apart.
    """

    run = TenantForeignKey("services.ImportRun")
    number = models.PositiveIntegerField()
    part = models.PositiveIntegerField()
    #: What the row will be known by in later imports.
    key = models.CharField(max_length=300)
    content = models.JSONField(null=True)
    #: Allergy text of the file, under a key of the run: never readable at rest.
    sealed_health = models.BinaryField(null=True)
    errors = models.JSONField(default=list)
    notes = models.JSONField(default=list)

    class Meta:
        db_table = "imports_row"
        constraints = [
            *tenant_constraints("imports_row", run="imports_run"),
            models.UniqueConstraint(
                fields=["business_id", "run", "number", "part"], name="imports_row_place"
            ),
        ]

    def __str__(self) -> str:
        return f"row {self.number}"
