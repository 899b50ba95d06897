"""The evidence log: one hash chain per location and one per business. Written by a SQL function only."""

from django.db import models


class Head(models.Model):
    """Where a chain stands; locked while an entry is added."""

    chain_id = models.UUIDField(primary_key=True)
    business_id = models.UUIDField()
    n = models.BigIntegerField(default=0)
    hash = models.BinaryField(null=True)
    recorded_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "ledger_head"

    def __str__(self) -> str:
        return f"{self.chain_id} at {self.n}"


class Entry(models.Model):
    """One entry: the exact header bytes, their hash, and the facts that requirements are judged on."""

    pk = models.CompositePrimaryKey("chain_id", "n")
    business_id = models.UUIDField()
    chain_id = models.UUIDField()
    n = models.BigIntegerField()
    kind = models.CharField(max_length=60)
    subject_id = models.UUIDField()
    recorded_at = models.DateTimeField()
    occurred_at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    header = models.TextField()
    hash = models.BinaryField()
    facts = models.TextField()
    facts_salt = models.BinaryField()

    class Meta:
        db_table = "ledger_entry"
        indexes = [
            models.Index(fields=["chain_id", "kind", "occurred_at"], name="ledger_entry_kind"),
            models.Index(fields=["chain_id", "subject_id", "n"], name="ledger_entry_subject"),
        ]

    def __str__(self) -> str:
        return f"{self.chain_id}/{self.n} {self.kind}"


class PersonalBody(models.Model):
    """The erasable body of an entry, sealed under the client's key."""

    pk = models.CompositePrimaryKey("chain_id", "n")
    business_id = models.UUIDField()
    chain_id = models.UUIDField()
    n = models.BigIntegerField()
    client_id = models.UUIDField()
    #: 32 bytes of salt and the canonical JSON, sealed together.
    sealed = models.BinaryField()

    class Meta:
        db_table = "ledger_personal"

    def __str__(self) -> str:
        return f"{self.chain_id}/{self.n}"
