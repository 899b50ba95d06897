"""Clients, what they consented to, and what was said and seen in consultations (sealed)."""

from django.contrib.postgres.fields import ArrayField
from django.db import models

from clients.models_merges import ClientMerge  # noqa: F401 - a table of this app
from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class Client(SyncedModel):
    """A person who comes for services. Nothing here is a health answer: the desk sees it."""

    entity = "client"
    name = models.CharField(max_length=200)
    #: Small letters, without accents: what lists are sorted by, alike on every server.
    sort_name = models.CharField(max_length=200, db_collation="C")
    phone = models.CharField(max_length=20, default="", help_text="E.164")
    email = models.CharField(max_length=254, default="")
    birth_date = models.DateField(null=True)
    language = models.CharField(max_length=12, default="")
    #: Where messages are timed by; empty: the zone of the location.
    zone = models.CharField(max_length=64, default="")
    note = models.CharField(max_length=2000, default="")
    #: Who is reached in a minor's stead: {"name", "relation", "phone", "email"}.
    guardian = models.JSONField(null=True)
    #: Whom the client chose for intimate services; nobody else is booked for them.
    chosen_practitioner_id = models.UUIDField(null=True)
    #: The locations whose feed carries this client.
    location_ids = ArrayField(models.UUIDField(), default=list)
    created_at = models.DateTimeField()
    source_id = models.CharField(max_length=120, null=True)  # noqa: DJ001 - unique where present
    #: Imported allergy text, sealed: somebody else's words, not verified, asked again before a service.
    unverified_health = models.BinaryField(null=True)
    #: What was sealed is unreadable and these fields are blank since then; the row stays.
    erased_at = models.DateTimeField(null=True)
    #: The record of the same person that is left, since when; None: this one. History is ClientMerge.
    merged_into_id = models.UUIDField(null=True)
    merged_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "clients_client"
        constraints = [
            *tenant_constraints("clients_client", merged_into="clients_client"),
            models.UniqueConstraint(
                fields=["business_id", "source_id"], name="clients_client_source"
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "sort_name", "id"], name="clients_client_sort"),
            models.Index(
                fields=["business_id", "merged_into_id"],
                name="clients_client_merged",
                condition=models.Q(merged_into_id__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def feed_ids(self) -> tuple[object, ...]:
        return tuple(self.location_ids)


class ClientWord(TenantModel):
    """One word whose beginning finds a client: a part of the name, or the number in one form.

    A table and not an array with a GIN index: under row-level security only operators that leak
    nothing may use an index, and of prefix searches those are plain comparisons (hence collation C).
    """

    client = TenantForeignKey("clients.Client")
    word = models.CharField(max_length=40, db_collation="C")

    class Meta:
        db_table = "clients_client_word"
        constraints = [
            *tenant_constraints("clients_client_word", client="clients_client"),
            models.UniqueConstraint(
                fields=["business_id", "client", "word"], name="clients_client_word_once"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "word", "client"], name="clients_client_word_search"
            )
        ]

    def __str__(self) -> str:
        return self.word


class ConsentPurpose(models.TextChoices):
    """What a client may agree to, each apart from the others."""

    SMS_MESSAGES = "sms_messages"
    EMAIL_MESSAGES = "email_messages"
    HEALTH_ANSWERS = "health_answers"
    PHOTOGRAPHS = "photographs"
    SERVICE = "service"
    #: By the guardian, for services on a minor.
    GUARDIAN_SERVICE = "guardian_service"
    INTIMATE_SERVICE = "intimate_service"


@append_only
class ConsentText(TenantModel):
    """A text that the business asks consent with; never changed, the next version takes its place."""

    purpose = models.CharField(max_length=20, choices=ConsentPurpose.choices)
    language = models.CharField(max_length=12)
    version = models.PositiveIntegerField()
    text = models.TextField()
    digest = models.CharField(max_length=64)
    published_at = models.DateTimeField()
    published_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_consent_text"
        constraints = [
            *tenant_constraints("clients_consent_text"),
            models.UniqueConstraint(
                fields=["business_id", "purpose", "language", "version"],
                name="clients_consent_text_version",
            ),
        ]
        indexes = [
            models.Index(fields=["business_id", "digest"], name="clients_consent_text_digest")
        ]

    def __str__(self) -> str:
        return f"{self.purpose} {self.language} {self.version}"


@append_only
class Consent(TenantModel):
    """Given or withdrawn, for one purpose; the newest row of a purpose holds. Never assumed."""

    client = TenantForeignKey("clients.Client")
    purpose = models.CharField(max_length=20, choices=ConsentPurpose.choices)
    given = models.BooleanField()
    #: What was signed: SHA-256 of the text's UTF-8, in hexadecimal; empty: said, not signed.
    text_digest = models.CharField(max_length=64, default="")
    #: `client` or `guardian`; empty: not signed.
    signed_by = models.CharField(max_length=8, default="")
    #: The typed name and a guardian's relation, sealed under the client's key.
    sealed_signature = models.BinaryField(null=True)
    witnessed_by = models.UUIDField(null=True)
    device_id = models.UUIDField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_consent"
        constraints = tenant_constraints("clients_consent", client="clients_client")
        indexes = [
            models.Index(
                fields=["business_id", "client", "purpose", "recorded_at"],
                name="clients_consent_client",
            )
        ]

    def __str__(self) -> str:
        return f"{self.purpose}: {self.given}"


@append_only
class HealthAnswer(TenantModel):
    """One thing said or seen in a consultation, sealed under the client's key.

    `kind` is answer (to a spoken question), declaration, finding or met (a rule's condition, for a
    line); a wrong one is struck out by a later row of kind correction that names it. Rows are never
    changed. `recorded_at` rises with every row of a client, so that the newest is one.
    """

    client = TenantForeignKey("clients.Client")
    visit_id = models.UUIDField()
    kind = models.CharField(max_length=12)
    sealed = models.BinaryField()
    corrects_id = models.UUIDField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_health_answer"
        constraints = [
            *tenant_constraints(
                "clients_health_answer", client="clients_client", corrects="clients_health_answer"
            ),
            models.UniqueConstraint(
                fields=["business_id", "corrects_id"], name="clients_health_answer_struck_once"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "client", "recorded_at"], name="clients_health_answer_client"
            ),
            models.Index(fields=["business_id", "visit_id"], name="clients_health_answer_visit"),
        ]

    def __str__(self) -> str:
        return self.kind


@append_only
class HealthRead(TenantModel):
    """Who read which client's health answers, when. Not part of a chain; a daily digest is evidence."""

    client = TenantForeignKey("clients.Client")
    visit_id = models.UUIDField(null=True)
    person_id = models.UUIDField(null=True)
    device_id = models.UUIDField(null=True)
    #: Where the reader's role is; None for who has all locations. Says whose chain has the digest.
    location_id = models.UUIDField(null=True)
    read_at = models.DateTimeField()

    class Meta:
        db_table = "clients_health_read"
        constraints = tenant_constraints("clients_health_read", client="clients_client")
        indexes = [
            models.Index(
                fields=["business_id", "client", "read_at"], name="clients_health_read_client"
            ),
            models.Index(
                fields=["business_id", "location_id", "read_at"], name="clients_health_read_day"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person_id} read {self.client_id}"


@append_only
class PatchTest(TenantModel):
    """A product tried on a small spot of a client, as the product was then. What came of it is sealed
    in its entries.
    """

    client = TenantForeignKey("clients.Client")
    skin_product_id = models.UUIDField()
    product_name = models.CharField(max_length=200)
    supplier = models.CharField(max_length=200)
    formula_version = models.CharField(max_length=80)
    #: By the label when it was made: a reading before is kept and does not count.
    lead_hours = models.PositiveSmallIntegerField()
    area = models.CharField(max_length=40)
    applied_at = models.DateTimeField()
    #: The line that was this test, if it was booked as one.
    line_id = models.UUIDField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_patch_test"
        constraints = tenant_constraints("clients_patch_test", client="clients_client")
        indexes = [
            models.Index(
                fields=["business_id", "client", "applied_at"], name="clients_patch_test_client"
            ),
            models.Index(
                fields=["business_id", "line_id"],
                name="clients_patch_test_line",
                condition=models.Q(line_id__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.product_name} {self.applied_at:%Y-%m-%d %H:%M}"


@append_only
class PatchTestEntry(TenantModel):
    """What was seen of a test (kind reading), or that it or a reading is wrong (kind struck), sealed.

    `strikes_id` names what is struck out: an entry, or the test itself.
    """

    patch_test = TenantForeignKey("clients.PatchTest")
    client = TenantForeignKey("clients.Client")
    kind = models.CharField(max_length=12)
    sealed = models.BinaryField()
    strikes_id = models.UUIDField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_patch_test_entry"
        constraints = [
            *tenant_constraints(
                "clients_patch_test_entry", patch_test="clients_patch_test", client="clients_client"
            ),
            models.UniqueConstraint(
                fields=["business_id", "strikes_id"], name="clients_patch_test_struck_once"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "client", "recorded_at"],
                name="clients_patch_test_entry_order",
            )
        ]

    def __str__(self) -> str:
        return self.kind


@append_only
class HealthReadDigest(TenantModel):
    """That the reads of one local day have their evidence entry: once for each chain and day.

    `chain_id` is the location's id, or the business's for reads by those who have all locations.
    """

    chain_id = models.UUIDField()
    day = models.DateField()
    #: The span that was digested; the next day's begins where this one ends.
    until_at = models.DateTimeField()

    class Meta:
        db_table = "clients_health_read_digest"
        constraints = [
            *tenant_constraints("clients_health_read_digest"),
            models.UniqueConstraint(
                fields=["business_id", "chain_id", "day"], name="clients_health_read_digest_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.chain_id} {self.day}"


@append_only
class ScreeningPolicy(TenantModel):
    """What a business asks for on top of the shipped screening rules; the newest row holds.

    `policy` is as the rule files' schema has it, checked before it is kept; an empty one takes the
    house's changes back. `digest` is of the rules that it made, which verdicts name.
    """

    policy = models.JSONField()
    version = models.CharField(max_length=32)
    digest = models.CharField(max_length=64)
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_screening_policy"
        constraints = tenant_constraints("clients_screening_policy")
        indexes = [
            models.Index(
                fields=["business_id", "-recorded_at"], name="clients_screening_policy_new"
            )
        ]

    def __str__(self) -> str:
        return self.version


@append_only
class ToldApart(TenantModel):
    """Two clients who look alike and are not the same person, said by somebody; `client` has the lower id."""

    client = TenantForeignKey("clients.Client")
    other = TenantForeignKey("clients.Client")
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "clients_told_apart"
        constraints = [
            *tenant_constraints(
                "clients_told_apart", client="clients_client", other="clients_client"
            ),
            models.UniqueConstraint(
                fields=["business_id", "client", "other"], name="clients_told_apart_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.client_id} is not {self.other_id}"
