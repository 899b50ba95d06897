"""Shapes of what is sent in about rooms."""

from rest_framework import serializers as s

from spa_ops.tenancy.rules import MOST_BUFFER_MINUTES
from spa_ops.web.views import Strict

#: Words that services ask for, such as sink or wax_heater.
FEATURE = r"^[a-z0-9][a-z0-9_]{0,39}$"


def _buffer(text: str) -> s.IntegerField:
    return s.IntegerField(
        min_value=0,
        max_value=MOST_BUFFER_MINUTES,
        required=False,
        allow_null=True,
        help_text=f"minutes kept free {text}; null: as the location has it",
    )


class AddRoom(Strict):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=120)
    features = s.ListField(child=s.RegexField(FEATURE), max_length=40, required=False)


class ChangeRoom(Strict):
    name = s.CharField(max_length=120, required=False)
    features = s.ListField(child=s.RegexField(FEATURE), max_length=40, required=False)
    buffer_before_minutes = _buffer("before each visit's set-up")
    buffer_after_minutes = _buffer("after each visit's turnover")


class BeginTurnover(Strict):
    product_id = s.UUIDField(
        required=False, allow_null=True, help_text="the surface disinfectant in use"
    )


class UnusedItem(Strict):
    item = s.RegexField(r"^[a-z0-9_]{1,40}$", help_text="what it is, such as spatula or strip")
    stayed_covered = s.BooleanField(required=False)
    taken_with_clean_hands = s.BooleanField(required=False)


class RecordStep(Strict):
    code = s.CharField(max_length=40)
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it was done; now unless said"
    )
    wet_from = s.DateTimeField(
        required=False, allow_null=True, help_text="since when wet without a break"
    )
    product_id = s.UUIDField(required=False, allow_null=True)
    unused = UnusedItem(
        many=True,
        required=False,
        help_text="single-use items laid out and not used; back only if covered and taken with clean hands",
    )


class TakeOutOfUse(Strict):
    reason = s.CharField(max_length=500)


class StrikeStep(Strict):
    reason = s.CharField(max_length=500)
