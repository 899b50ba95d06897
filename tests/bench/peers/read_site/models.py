"""A visit and its lines with the columns that our API shows."""

from django.db import models


class PeerVisit(models.Model):
    id = models.UUIDField(primary_key=True)
    version = models.PositiveIntegerField()
    location_id = models.UUIDField()
    client_id = models.UUIDField()
    state = models.CharField(max_length=12)
    walk_in = models.BooleanField()
    room_id = models.UUIDField(null=True)
    booked_by = models.UUIDField(null=True)
    policy_shown = models.CharField(max_length=1000)
    note = models.CharField(max_length=2000)
    starts_at = models.DateTimeField()
    booked_at = models.DateTimeField()
    arrived_at = models.DateTimeField(null=True)
    seated_at = models.DateTimeField(null=True)
    left_at = models.DateTimeField(null=True)
    checked_out_at = models.DateTimeField(null=True)
    guardian_present_at = models.DateTimeField(null=True)
    chaperone_id = models.UUIDField(null=True)
    chaperone_accepted = models.BooleanField(null=True)
    link_id = models.UUIDField(null=True)
    series_id = models.UUIDField(null=True)

    class Meta:
        app_label = "read_site"

    def __str__(self) -> str:
        return str(self.id)


class PeerLine(models.Model):
    id = models.UUIDField(primary_key=True)
    visit = models.ForeignKey(PeerVisit, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    service_id = models.UUIDField()
    area = models.CharField(max_length=40)
    method = models.CharField(max_length=40)
    practitioner_id = models.UUIDField()
    room_id = models.UUIDField()
    kit_id = models.UUIDField(null=True)
    set_up_by = models.UUIDField()
    turnover_by = models.UUIDField()
    shortened = models.BooleanField()
    state = models.CharField(max_length=12)
    price_minor = models.PositiveIntegerField()
    currency = models.CharField(max_length=3)
    verdict = models.CharField(max_length=24)
    screened_on = models.DateField(null=True)
    earliest_on = models.DateField(null=True)
    earliest_at = models.DateTimeField(null=True)
    overridden = models.BooleanField()
    bleeding = models.BooleanField()
    set_up_at = models.DateTimeField()
    starts_at = models.DateTimeField()
    hands_on_at = models.DateTimeField()
    aftercare_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    turnover_ends_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    unattended_at = models.DateTimeField(null=True)

    class Meta:
        app_label = "read_site"
        ordering = ["starts_at", "position"]

    def __str__(self) -> str:
        return str(self.id)
