"""Visits that recur by a rule."""

from django.db import models

from spa_ops.unit.tables import TenantForeignKey, TenantModel, append_only, tenant_constraints


class Series(TenantModel):
    """What a client's recurring visits were booked by. The visits are visits like any other."""

    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client")
    #: RFC 5545 rule as it was sent, and the start that it counts from, in `zone`.
    rule = models.CharField(max_length=300)
    starts_at = models.DateTimeField()
    zone = models.CharField(max_length=64)
    created_at = models.DateTimeField()
    created_by = models.UUIDField(null=True)
    #: From this start on the visits were cancelled; None: it runs as it was booked.
    ended_from = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_series"
        constraints = tenant_constraints(
            "services_series", location="tenancy_location", client="clients_client"
        )
        indexes = [
            models.Index(
                fields=["business_id", "location", "created_at"], name="services_series_place"
            ),
            models.Index(fields=["business_id", "client"], name="services_series_client"),
        ]

    def __str__(self) -> str:
        return self.rule


@append_only
class SeriesVisit(TenantModel):
    """Which visit was booked for which occurrence; moving it changes neither."""

    series = TenantForeignKey("services.Series")
    visit = TenantForeignKey("services.Visit")
    occurs_at = models.DateTimeField()

    class Meta:
        db_table = "services_series_visit"
        constraints = [
            *tenant_constraints(
                "services_series_visit", series="services_series", visit="services_visit"
            ),
            models.UniqueConstraint(
                fields=["business_id", "visit"], name="services_series_visit_once"
            ),
            models.UniqueConstraint(
                fields=["business_id", "series", "occurs_at"], name="services_series_occurrence"
            ),
        ]

    def __str__(self) -> str:
        return str(self.visit_id)
