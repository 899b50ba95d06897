"""Shapes of what is sent in about disinfection."""

from rest_framework import serializers as s

from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from compliance.disinfection.rules.use_window import EndReason, LimitKind
from spa_ops.kernel.units import VolumeUnit
from spa_ops.web.views import Strict

#: What people record by hand; opening and blood come with the visit.
RECORDABLE = [k.value for k in EventKind if k not in {EventKind.USED, EventKind.ADDED}]
UNITS = [u.value for u in VolumeUnit]


class UseLimitInput(Strict):
    kind = s.ChoiceField([k.value for k in LimitKind])
    amount = s.IntegerField(min_value=1, max_value=10_000, required=False)
    citation = s.CharField(max_length=200, required=False, allow_blank=True)


class AddProduct(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=120)
    active = s.CharField(max_length=200)
    registration_number = s.CharField(max_length=60, required=False, allow_blank=True)
    parts_concentrate = s.DecimalField(
        max_digits=9,
        decimal_places=4,
        min_value=0,
        help_text="parts of concentrate ADDED to parts_water",
    )
    parts_water = s.DecimalField(
        max_digits=9, decimal_places=4, min_value=0, help_text="0: ready to use"
    )
    contact_seconds = s.IntegerField(
        min_value=1,
        max_value=86_400,
        required=False,
        allow_null=True,
        help_text="the label's; none: clears nothing",
    )
    hospital_type = s.BooleanField(required=False)
    use_limits = UseLimitInput(many=True, required=False)
    cautions = s.CharField(max_length=1000, required=False, allow_blank=True)


class Poured(Strict):
    amount = s.DecimalField(max_digits=9, decimal_places=3, min_value=0)
    unit = s.ChoiceField(UNITS)


class MixSolution(Strict):
    id = s.UUIDField(required=False)
    product_id = s.UUIDField()
    container = s.CharField(max_length=120)
    concentrate = Poured()
    water = Poured()


class EndSolution(Strict):
    reason = s.ChoiceField(
        [EndReason.EMPTIED.value, EndReason.CONTAMINATED.value, EndReason.FAILED_STRIP.value]
    )


class AddedToSoak(Strict):
    cleaned = s.BooleanField(help_text="washed, rinsed and dried before")
    at = s.DateTimeField(required=False, allow_null=True)


class AddKit(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=120)
    kind = s.CharField(max_length=40)


class AddImplement(Strict):
    id = s.UUIDField(required=False)
    tag = s.CharField(max_length=60)
    name = s.CharField(max_length=120)
    kind = s.ChoiceField(
        [k.value for k in ImplementClass], help_text="how it may be disinfected at all"
    )


class RecordReprocessing(Strict):
    kind = s.ChoiceField(RECORDABLE)
    implement_ids = s.ListField(
        child=s.UUIDField(), max_length=200, required=False, allow_null=True
    )
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it happened; now unless said"
    )
    agent_id = s.UUIDField(
        required=False, allow_null=True, help_text="the solution, or the product that wipes"
    )
    fully_open = s.BooleanField(
        required=False, help_text="immersed: wholly under, every hinge open"
    )
    covered = s.BooleanField(required=False, help_text="stored: in the clean, covered place")


class StrikeEvent(Strict):
    reason = s.CharField(max_length=500)
