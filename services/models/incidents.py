"""Incidents, their entries and call-backs. What happened and what was said of it is sealed."""

from django.db import models

from spa_ops.unit.tables import (
    SyncedModel,
    TenantForeignKey,
    TenantModel,
    append_only,
    tenant_constraints,
)


class Incident(SyncedModel):
    """Somebody was hurt or reacted: a client or a team member. That, and not what, is in the clear.

    Sealed under the key of whoever was hurt, with the steps as they were asked then. `state` and
    `closed_at` are derived from the entries.
    """

    entity = "incident"
    location = TenantForeignKey("tenancy.Location")
    client = TenantForeignKey("clients.Client", null=True)
    person = TenantForeignKey("tenancy.Person", null=True)
    visit = TenantForeignKey("services.Visit", null=True)
    line = TenantForeignKey("services.Line", null=True)
    room = TenantForeignKey("rooms.Room", null=True)
    #: One of rules.incident_record.IncidentState.
    state = models.CharField(max_length=8, default="open")
    #: As told; `recorded_at` is the server's.
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)
    closed_at = models.DateTimeField(null=True)
    #: The first-aid text that the steps come from.
    guide_version = models.CharField(max_length=20)
    guide_digest = models.CharField(max_length=64)
    sealed = models.BinaryField()

    class Meta:
        db_table = "services_incident"
        constraints = [
            *tenant_constraints(
                "services_incident",
                location="tenancy_location",
                client="clients_client",
                person="tenancy_person",
                visit="services_visit",
                line="services_line",
                room="rooms_room",
            ),
            models.CheckConstraint(
                condition=models.Q(client=None) ^ models.Q(person=None),
                name="services_incident_one_hurt",
            ),
            models.CheckConstraint(
                condition=models.Q(occurred_at__lte=models.F("recorded_at")),
                name="services_incident_has_been",
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "location", "occurred_at"], name="services_incident_place"
            ),
            models.Index(fields=["business_id", "client"], name="services_incident_client"),
        ]

    def __str__(self) -> str:
        return f"{self.state} {self.occurred_at:%Y-%m-%d %H:%M}"


@append_only
class IncidentEntry(TenantModel):
    """Something said or done about an incident, sealed; a wrong one is struck out by a later entry.

    `strikes_id` names what is struck out: an entry, or the incident itself. `recorded_at` rises
    with every entry of an incident.
    """

    incident = TenantForeignKey("services.Incident")
    client = TenantForeignKey("clients.Client", null=True)
    #: One of rules.incident_record.EntryKind.
    kind = models.CharField(max_length=20)
    sealed = models.BinaryField()
    strikes_id = models.UUIDField(null=True)
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.UUIDField(null=True)

    class Meta:
        db_table = "services_incident_entry"
        constraints = [
            *tenant_constraints(
                "services_incident_entry", incident="services_incident", client="clients_client"
            ),
            models.UniqueConstraint(
                fields=["business_id", "strikes_id"], name="services_incident_entry_struck_once"
            ),
        ]
        indexes = [
            models.Index(
                fields=["business_id", "incident", "recorded_at"],
                name="services_incident_entry_order",
            ),
            models.Index(fields=["business_id", "client"], name="services_incident_entry_client"),
        ]

    def __str__(self) -> str:
        return self.kind


class IncidentCallBack(TenantModel):
    """One time at which somebody asks how it is. The desk sees that it is due, never of what."""

    incident = TenantForeignKey("services.Incident")
    location = TenantForeignKey("tenancy.Location")
    hours = models.PositiveSmallIntegerField()
    due_at = models.DateTimeField()
    counts_from = models.DateTimeField()
    overdue_at = models.DateTimeField()
    #: Derived from the entries: done, or not owed any more.
    settled_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "services_incident_call_back"
        constraints = tenant_constraints(
            "services_incident_call_back",
            incident="services_incident",
            location="tenancy_location",
        )
        indexes = [
            models.Index(fields=["business_id", "incident"], name="services_incident_call_backs"),
            models.Index(
                fields=["business_id", "location", "due_at"],
                name="services_incident_call_due",
                condition=models.Q(settled_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.hours} h"


@append_only
class IncidentRead(TenantModel):
    """Who read what is sealed of a team member's incident. A client's reads are with their others."""

    incident = TenantForeignKey("services.Incident")
    person_id = models.UUIDField(null=True)
    device_id = models.UUIDField(null=True)
    read_at = models.DateTimeField()

    class Meta:
        db_table = "services_incident_read"
        constraints = tenant_constraints("services_incident_read", incident="services_incident")
        indexes = [
            models.Index(
                fields=["business_id", "incident", "read_at"], name="services_incident_read_order"
            )
        ]

    def __str__(self) -> str:
        return f"{self.person_id} read {self.incident_id}"
