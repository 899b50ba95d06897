"""Photographs of clients' skin. Picture and what it shows are sealed; in the clear is that there is one."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, tenant_constraints


class Photograph(TenantModel):
    """One photograph: of a client, at a visit or with an incident. In no feed.

    Sealed under the key of the client as whose it was taken. A struck-out one has lost its picture.
    """

    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    visit = TenantForeignKey("services.Visit", null=True)
    line = TenantForeignKey("services.Line", null=True)
    incident = TenantForeignKey("services.Incident", null=True)
    #: Moment and area, sealed: `reaction` alone would tell of health.
    sealed = models.BinaryField()
    #: The JPEG, sealed; None once it is struck out or the client erased.
    sealed_picture = models.BinaryField(null=True)
    #: Of the JPEG, in bytes and pixels.
    size = models.PositiveIntegerField()
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    #: As told; `recorded_at` is the server's.
    taken_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)
    struck_at = models.DateTimeField(null=True)
    struck_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_photograph"
        constraints = [
            *tenant_constraints(
                "services_photograph",
                location="tenancy_location",
                client="clients_client",
                visit="services_visit",
                line="services_line",
                incident="services_incident",
            ),
            models.CheckConstraint(
                condition=models.Q(struck_at=None) | models.Q(sealed_picture=None),
                name="services_photograph_struck_is_gone",
            ),
            models.CheckConstraint(
                condition=~models.Q(visit=None) | ~models.Q(incident=None),
                name="services_photograph_of_something",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "client", "-taken_at", "-id"],
                name="services_photograph_client",
            ),
            models.Index(fields=["business_id", "line"], name="services_photograph_line"),
            models.Index(fields=["business_id", "incident"], name="services_photograph_inc"),
        ]

    def __str__(self) -> str:
        return f"{self.width}x{self.height}"
