"""Business, locations, people, what the board issued them, and how they prove who they are."""

from django.db import models

from spa_ops.kernel.actor import Role
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.tables import SyncedModel, TenantForeignKey, TenantModel, tenant_constraints


class Business(models.Model):
    """The owner's company: the tenant. Its id is its business_id and its own feed's id."""

    entity = "business"
    id = models.UUIDField(primary_key=True, default=uuid7)
    business_id = models.UUIDField(unique=True)
    version = models.PositiveIntegerField(default=0)
    name = models.CharField(max_length=200)
    created_at = models.DateTimeField()

    class Meta:
        db_table = "tenancy_business"
        constraints = [
            models.CheckConstraint(
                condition=models.Q(id=models.F("business_id")), name="tenancy_business_is_tenant"
            )
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.id,)


class Location(SyncedModel):
    """One site. Wall times are in `zone`; `opening_hours` maps mon..sun to [["09:00", "18:00"], ...]."""

    entity = "location"
    name = models.CharField(max_length=200)
    zone = models.CharField(max_length=64)
    country = models.CharField(max_length=2)
    jurisdiction = models.CharField(max_length=20)
    currency = models.CharField(max_length=3)
    opening_hours = models.JSONField(default=dict)
    #: House policy of this site; keys and defaults are in tenancy.rules.
    policies = models.JSONField(default=dict)
    licence_number = models.CharField(max_length=60, default="")
    licence_valid_through = models.DateField(null=True)

    class Meta:
        db_table = "tenancy_location"
        constraints = tenant_constraints("tenancy_location")

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.id, self.business_id)


class Person(SyncedModel):
    """A team member. Signs in with login and password, or unlocks a shared device by PIN or badge."""

    entity = "person"
    name = models.CharField(max_length=200)
    login = models.CharField(max_length=120, null=True)  # noqa: DJ001 - unique where present
    password_hash = models.CharField(max_length=200, default="")
    pin_hash = models.CharField(max_length=200, default="")
    badge_hash = models.BinaryField(null=True)
    active = models.BooleanField(default=True)

    class Meta:
        db_table = "tenancy_person"
        constraints = [
            *tenant_constraints("tenancy_person"),
            # One login names one person in the whole program: sign-in does not ask for the business.
            models.UniqueConstraint(fields=["login"], name="tenancy_person_login"),
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class Membership(TenantModel):
    """A person's role at a location (None: at all of them), while `valid_from <= t < valid_until`."""

    person = TenantForeignKey("tenancy.Person")
    location = TenantForeignKey("tenancy.Location", null=True)
    role = models.CharField(max_length=20, choices=[(r.value, r.value) for r in Role])
    valid_from = models.DateTimeField()
    valid_until = models.DateTimeField(null=True)
    issued_by = models.UUIDField(null=True)

    class Meta:
        db_table = "tenancy_membership"
        constraints = [
            *tenant_constraints(
                "tenancy_membership", person="tenancy_person", location="tenancy_location"
            ),
            models.CheckConstraint(
                condition=models.Q(valid_until=None)
                | models.Q(valid_until__gt=models.F("valid_from")),
                name="tenancy_membership_span",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "person"], name="tenancy_membership_person")]

    def __str__(self) -> str:
        return f"{self.person_id} {self.role}"


class Licence(SyncedModel):
    """What the board issued to a person: valid through `valid_through`, a day in local time."""

    entity = "licence"
    person = TenantForeignKey("tenancy.Person")
    jurisdiction = models.CharField(max_length=20)
    kind = models.CharField(max_length=60)
    number = models.CharField(max_length=60)
    valid_from = models.DateField(null=True)
    valid_through = models.DateField()

    class Meta:
        db_table = "tenancy_licence"
        constraints = [
            *tenant_constraints("tenancy_licence", person="tenancy_person"),
            models.UniqueConstraint(
                fields=["business_id", "jurisdiction", "kind", "number"],
                name="tenancy_licence_number",
            ),
        ]
        indexes = [models.Index(fields=["business_id", "person"], name="tenancy_licence_person")]

    def __str__(self) -> str:
        return f"{self.kind} {self.number}"

    def feed_ids(self) -> tuple[object, ...]:
        return (self.business_id,)


class Device(TenantModel):
    """A shared tablet or desk computer of one location."""

    location = TenantForeignKey("tenancy.Location")
    name = models.CharField(max_length=120)
    registered_at = models.DateTimeField()
    retired_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "tenancy_device"
        constraints = tenant_constraints("tenancy_device", location="tenancy_location")

    def __str__(self) -> str:
        return self.name


class DeviceUnlock(TenantModel):
    """While open, this person acts on this device. Turnover and time lock it again."""

    device = TenantForeignKey("tenancy.Device")
    person = TenantForeignKey("tenancy.Person")
    unlocked_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    locked_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "tenancy_device_unlock"
        constraints = tenant_constraints(
            "tenancy_device_unlock", device="tenancy_device", person="tenancy_person"
        )
        indexes = [
            models.Index(
                fields=["business_id", "device", "person"], name="tenancy_device_unlock_who"
            )
        ]

    def __str__(self) -> str:
        return f"{self.device_id} by {self.person_id}"


class Token(TenantModel):
    """A bearer secret of 256 random bits, kept as its SHA-256; of a membership or of a device."""

    secret_hash = models.BinaryField(unique=True)
    label = models.CharField(max_length=120, default="")
    membership = TenantForeignKey("tenancy.Membership", null=True)
    device = TenantForeignKey("tenancy.Device", null=True)
    issued_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "tenancy_token"
        constraints = [
            *tenant_constraints(
                "tenancy_token", membership="tenancy_membership", device="tenancy_device"
            ),
            models.CheckConstraint(
                condition=models.Q(membership=None) ^ models.Q(device=None),
                name="tenancy_token_one_bearer",
            ),
        ]

    def __str__(self) -> str:
        return self.label or str(self.id)


class BusinessKey(TenantModel):
    """The key that wraps the business's subject keys, itself wrapped by a master key outside the database."""

    master_key_id = models.CharField(max_length=60)
    wrapped = models.BinaryField()
    created_at = models.DateTimeField()

    class Meta:
        db_table = "tenancy_business_key"
        constraints = tenant_constraints("tenancy_business_key")

    def __str__(self) -> str:
        return str(self.id)


class SubjectKey(TenantModel):
    """One client's key. Destroying `wrapped` erases what it sealed, in backups too; its id is the client's."""

    business_key = TenantForeignKey("tenancy.BusinessKey")
    wrapped = models.BinaryField(null=True)
    destroyed_at = models.DateTimeField(null=True)
    #: What was sealed at or before this instant was under a former key, destroyed by the retention rule.
    renewed_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "tenancy_subject_key"
        constraints = tenant_constraints("tenancy_subject_key", business_key="tenancy_business_key")

    def __str__(self) -> str:
        return str(self.id)
