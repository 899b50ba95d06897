"""Shapes of what is sent in about sterilisers."""

from rest_framework import serializers as s

from compliance.disinfection.rules.sterilising import (
    IntegratorResult,
    SporeResult,
    SteriliserMethod,
    TemperatureUnit,
)
from spa_ops.web.views import Strict

_RESULTS = [SporeResult.GOOD.value, SporeResult.FAILED.value]


def _at(help_text: str = "when it happened; now unless said") -> s.DateTimeField:
    return s.DateTimeField(required=False, allow_null=True, help_text=help_text)


class Temperature(Strict):
    amount = s.DecimalField(max_digits=5, decimal_places=2, min_value=0)
    unit = s.ChoiceField([u.value for u in TemperatureUnit])


def _minutes() -> s.DecimalField:
    return s.DecimalField(max_digits=6, decimal_places=2, min_value=0, max_value=1440)


def _kilopascals() -> s.DecimalField:
    return s.DecimalField(
        max_digits=6,
        decimal_places=2,
        min_value=0,
        required=False,
        allow_null=True,
        help_text="above the pressure outside, in kPa",
    )


class ProgrammeInput(Strict):
    name = s.CharField(max_length=60)
    temperature = Temperature()
    minutes = _minutes()
    kilopascals = _kilopascals()


class AddSteriliser(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=120)
    method = s.ChoiceField(
        [m.value for m in SteriliserMethod],
        help_text="a UV box is not one: it stores, and sterilises nothing",
    )
    serial_number = s.CharField(max_length=60, required=False, allow_blank=True)
    programmes = ProgrammeInput(many=True, help_text="as the maker states them")
    pouch_days = s.IntegerField(
        min_value=0,
        max_value=3650,
        required=False,
        help_text="the pouches' shelf life; 0: until opened, torn or wet",
    )
    installed_at = _at("when it was installed; now unless said")


class RecordRepair(Strict):
    what = s.CharField(max_length=500)
    at = _at()


class Pouch(Strict):
    pouch = s.CharField(max_length=60, help_text="what stands on the pouch")
    implement_ids = s.ListField(child=s.UUIDField(), min_length=1, max_length=100)


class StartLoad(Strict):
    id = s.UUIDField(required=False)
    programme = s.CharField(max_length=60)
    pouches = Pouch(many=True, help_text="none: a test load")
    at = _at()


class FinishLoad(Strict):
    temperature = Temperature()
    minutes = _minutes()
    kilopascals = _kilopascals()
    at = _at()


class ReadIntegrator(Strict):
    result = s.ChoiceField([r.value for r in IntegratorResult])
    integrator_class = s.IntegerField(min_value=1, max_value=6, required=False, allow_null=True)
    lot = s.CharField(max_length=60, required=False, allow_blank=True)
    action_taken = s.CharField(max_length=500, required=False, allow_blank=True)
    at = _at()


class WithdrawLoad(Strict):
    action_taken = s.CharField(max_length=500, help_text="what was seen and done")


class TakeSporeTest(Strict):
    id = s.UUIDField(required=False)
    lot = s.CharField(max_length=60)
    laboratory = s.CharField(
        max_length=120, required=False, allow_blank=True, help_text="empty: read in the house"
    )
    load_id = s.UUIDField(required=False, allow_null=True)
    at = _at("when it was run; the load's start, or now")


class ReadSporeTest(Strict):
    result = s.ChoiceField(_RESULTS, help_text="good: nothing grew")
    at = _at()


class CorrectSporeTest(Strict):
    result = s.ChoiceField(_RESULTS)
    reason = s.CharField(max_length=500)
