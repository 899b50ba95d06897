"""The price list, and who can do what when."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
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
    #: What the house says. A plan takes longer where the required steps and the label's wet time do.
    clean_up_minutes = models.PositiveSmallIntegerField()
    #: The least hands-on time that is still worth the name, for who comes late; 0: it is never shortened.
    shortest_hands_on_minutes = models.PositiveSmallIntegerField(default=0)
    #: More consultation for whoever has never been treated here.
    new_client_minutes = models.PositiveSmallIntegerField(default=0)
    #: How long it develops behind the hands-on time, and whether somebody stays with the client.
    developing_minutes = models.PositiveSmallIntegerField(default=0)
    developing_attended = models.BooleanField(default=True)
    price_minor = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    rebook_weeks = models.PositiveSmallIntegerField(null=True)
    room_features = ArrayField(models.CharField(max_length=40), default=list)
    #: The kind of kit that it needs; empty: single-use items only.
    kit_kind = models.CharField(max_length=40, default="")
    needs_patch_test = models.BooleanField(default=False)
    #: What touches the client's skin in it: each has a patch test of its own.
    skin_product_ids = ArrayField(models.UUIDField(), default=list)
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


class SkinProduct(SyncedModel):
    """What touches the client's skin, as its label states it: wax, tint, peel, oil."""

    entity = "skin_product"
    name = models.CharField(max_length=200)
    supplier = models.CharField(max_length=200)
    #: What tells one recipe from the next, such as a code on the label; a test is for one only.
    formula_version = models.CharField(max_length=80, default="")
    #: Codes of screening's ingredients that are in it; None: not on file, so nothing is matched.
    ingredients = ArrayField(models.CharField(max_length=40), null=True)
    #: The label's lead time of a patch test, 24 or 48 h; None: the label asks for none.
    patch_test_hours = models.PositiveSmallIntegerField(null=True)
    active = models.BooleanField(default=True)

    class Meta:
        db_table = "services_skin_product"
        constraints = tenant_constraints("services_skin_product")

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
    #: How long this person's hands-on time is; None: as the price list has it.
    hands_on_minutes = models.PositiveSmallIntegerField(null=True)

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
    #: Wall times within it at which nothing is planned: [["12:00", "12:30"], ...].
    breaks = models.JSONField(default=list)

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
