"""What a treatment leaves behind besides its line: the aftercare given, and what the client wishes."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


@append_only
class AftercareGiven(TenantModel):
    """An aftercare text was given for a line: which words, in which language, how."""

    line = TenantForeignKey("services.Line")
    client = TenantForeignKey("clients.Client")
    text_id = models.CharField(max_length=40)
    version = models.CharField(max_length=16)
    #: SHA-256 of the words' UTF-8, in hexadecimal.
    digest = models.CharField(max_length=64)
    language = models.CharField(max_length=12)
    #: One of rules.aftercare.Handing.
    how = models.CharField(max_length=12)
    given_at = models.DateTimeField()
    given_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_aftercare_given"
        constraints = tenant_constraints(
            "services_aftercare_given", line="services_line", client="clients_client"
        )
        indexes = [
            models.Index(fields=["business_id", "line"], name="services_aftercare_line"),
            models.Index(fields=["business_id", "client"], name="services_aftercare_client"),
        ]

    def __str__(self) -> str:
        return f"{self.text_id} {self.version} {self.how}"


@append_only
class Wish(TenantModel):
    """How the client wants an area, in their words, sealed; the newest of an area holds.

    `recorded_at` rises with every wish of a client, so that the newest is one.
    """

    client = TenantForeignKey("clients.Client")
    area = models.CharField(max_length=40)
    sealed = models.BinaryField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_wish"
        constraints = tenant_constraints("services_wish", client="clients_client")
        indexes = [
            models.Index(
                fields=["business_id", "client", "area", "-recorded_at"],
                name="services_wish_newest",
            )
        ]

    def __str__(self) -> str:
        return self.area
