"""Shapes of what is sent in about disinfection."""

from decimal import Decimal
from typing import Any

from rest_framework import serializers as s

from compliance.disinfection.rules.counting import WRITE_OFFS
from compliance.disinfection.rules.labels import Family, Material
from compliance.disinfection.rules.reprocessing import (
    ABOUT_LOADS,
    OF_THE_BATH,
    EventKind,
    ImplementClass,
)
from compliance.disinfection.rules.use_window import EndReason, LimitKind
from spa_ops.kernel.units import VolumeUnit, to_millilitres
from spa_ops.web.views import Strict

#: What people record by hand; opening comes with the visit, what becomes of a load with the load.
RECORDABLE = [
    k.value
    for k in EventKind
    if k not in {EventKind.USED, EventKind.LOADED} | OF_THE_BATH | ABOUT_LOADS
]
UNITS = [u.value for u in VolumeUnit]
MATERIALS = [m.value for m in Material]
CLASSES = [k.value for k in ImplementClass]


class UseLimitInput(Strict):
    kind = s.ChoiceField([k.value for k in LimitKind])
    amount = s.IntegerField(min_value=1, max_value=10_000, required=False)
    citation = s.CharField(max_length=200, required=False, allow_blank=True)


class NotForInput(Strict):
    classes = s.ListField(child=s.ChoiceField(CLASSES), max_length=10, required=False)
    materials = s.ListField(child=s.ChoiceField(MATERIALS), max_length=20, required=False)


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
    family = s.ChoiceField(
        [f.value for f in Family], required=False, help_text="decides what it must never meet"
    )
    strength_percent = s.DecimalField(
        max_digits=6,
        decimal_places=3,
        min_value=0,
        max_value=100,
        required=False,
        allow_null=True,
        help_text="active in the concentrate; bleach only from 5 to 9 %",
    )
    stated_ppm = s.DecimalField(
        max_digits=8,
        decimal_places=1,
        min_value=1,
        required=False,
        allow_null=True,
        help_text="what a strip shows in a bath mixed by the label; else by strength and parts",
    )
    not_for = NotForInput(required=False, help_text="what the label says it is not for")
    concentrate_first = s.BooleanField(
        required=False, help_text="the label wants the concentrate poured before the water"
    )
    longest_soak_seconds = s.IntegerField(
        min_value=1, max_value=604_800, required=False, allow_null=True
    )


#: No container of a treatment room takes more: a slip of the finger, or of the unit.
MOST_ML = 1_000_000


class Poured(Strict):
    amount = s.DecimalField(max_digits=12, decimal_places=6, min_value=0)
    unit = s.ChoiceField(UNITS)

    def validate(self, attrs: Any) -> Any:
        if to_millilitres(attrs["amount"], VolumeUnit(attrs["unit"])) > MOST_ML:
            raise s.ValidationError({"amount": "is more than any container of a room takes"})
        thousandths = attrs["amount"].quantize(Decimal("0.001"))
        # Kept as it was read: three decimals, and more only where somebody gave more.
        return {**attrs, "amount": thousandths} if thousandths == attrs["amount"] else attrs


class Changeover(Strict):
    emptied = s.BooleanField(required=False)
    washed = s.BooleanField(required=False)
    labelled_anew = s.BooleanField(required=False)


class MixSolution(Strict):
    id = s.UUIDField(required=False)
    product_id = s.UUIDField()
    container = s.CharField(max_length=120)
    concentrate = Poured()
    water = Poured()
    changeover = Changeover(
        required=False, help_text="what was done to the container since another product was in it"
    )


class TopUp(Strict):
    concentrate = Poured()
    water = Poured()


class ReadStrip(Strict):
    reading_ppm = s.DecimalField(max_digits=8, decimal_places=1, min_value=0)


class DescribeContainer(Strict):
    capacity = Poured(required=False, help_text="how much may be poured in, implements to follow")
    pieces = s.IntegerField(
        min_value=1,
        max_value=500,
        required=False,
        allow_null=True,
        help_text="how many implements lie wholly under in it",
    )
    has_lid = s.BooleanField(required=False)
    is_marked = s.BooleanField(required=False)


class AddContainer(DescribeContainer):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=120)


class LookForPapers(Strict):
    location_id = s.UUIDField()
    data_sheet = s.BooleanField(help_text="the safety data sheet is at hand")
    labelled_bottle = s.BooleanField(help_text="the maker's labelled bottle is on site, even empty")


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
    kind = s.ChoiceField(CLASSES, help_text="how it may be disinfected at all")
    materials = s.ListField(
        child=s.ChoiceField(MATERIALS),
        max_length=20,
        required=False,
        help_text="what it is made of: products that exclude one of them do not clear it",
    )


class _Step(Strict):
    kind = s.ChoiceField(RECORDABLE)
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


class RecordReprocessing(_Step):
    implement_ids = s.ListField(
        child=s.UUIDField(), max_length=200, required=False, allow_null=True
    )


class RecordReprocessingOfKits(_Step):
    kit_ids = s.ListField(
        child=s.UUIDField(), min_length=1, max_length=50, help_text="kits and trays, each whole"
    )


class StrikeEvent(Strict):
    reason = s.CharField(max_length=500)


class CountBack(Strict):
    visit_id = s.UUIDField()
    missing_ids = s.ListField(
        child=s.UUIDField(), max_length=200, help_text="what went out and is not there; none: []"
    )


class WriteOff(Strict):
    outcome = s.ChoiceField([o.value for o in WRITE_OFFS])
