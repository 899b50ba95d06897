"""Shapes of what is sent in about stock."""

from decimal import Decimal
from typing import Any

from rest_framework import serializers as s

from rooms.models import Closing, StockPart, StockUnit
from spa_ops.web.views import Strict

LEAST = Decimal("0.001")


def _amount(**more: Any) -> s.DecimalField:
    return s.DecimalField(**{"max_digits": 9, "decimal_places": 3, "min_value": LEAST} | more)


class ChangeItem(Strict):
    name = s.CharField(max_length=200, required=False)
    code = s.CharField(
        max_length=40, required=False, allow_blank=True, help_text="its code on set-up lists"
    )
    size = s.ChoiceField(["", "small", "medium", "large"], required=False, allow_blank=True)
    variant = s.CharField(
        max_length=40, required=False, allow_blank=True, help_text="such as latex_free"
    )
    skin_product_id = s.UUIDField(
        required=False, allow_null=True, help_text="the product of the price list that it is"
    )
    uses_each = _amount(
        min_value=0,
        required=False,
        help_text="of its unit, what one on a set-up list uses up; 0: it stays",
    )
    pack_size = _amount(required=False, help_text="of its unit, in what it is ordered by")
    lead_days = s.IntegerField(min_value=0, max_value=365, required=False)
    months_after_opening = s.IntegerField(
        min_value=1, max_value=120, required=False, allow_null=True, help_text="as the label says"
    )
    days_after_opening = s.IntegerField(
        min_value=1, max_value=3650, required=False, allow_null=True, help_text="as the label says"
    )
    part = s.ChoiceField(StockPart.choices, required=False)
    unit = s.ChoiceField(StockUnit.choices, required=False)
    active = s.BooleanField(required=False, help_text="false: retired")


class AddItem(ChangeItem):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=200)
    part = s.ChoiceField(StockPart.choices)
    unit = s.ChoiceField(StockUnit.choices)
    uses_each = _amount(
        min_value=0, help_text="of its unit, what one on a set-up list uses up; 0: it stays"
    )
    pack_size = _amount(help_text="of its unit, in what it is ordered by")
    lead_days = s.IntegerField(min_value=0, max_value=365)


class _Moved(Strict):
    id = s.UUIDField(required=False, help_text="the device's own, for what is sent later")
    item_id = s.UUIDField()
    quantity = _amount(help_text="in the item's unit")
    at = s.DateTimeField(
        required=False, allow_null=True, help_text="when it happened; now unless said"
    )


class Receive(_Moved):
    lot_number = s.CharField(max_length=80, required=False, allow_blank=True)
    expires_on = s.DateField(
        required=False, allow_null=True, help_text="the last day on which it may be used"
    )


class Use(_Moved):
    container_id = s.UUIDField(required=False, allow_null=True)
    room_id = s.UUIDField(required=False, allow_null=True)


class Sell(_Moved):
    lot_id = s.UUIDField(required=False, allow_null=True)


class Discard(_Moved):
    lot_id = s.UUIDField(required=False, allow_null=True)
    reason = s.CharField(max_length=500)


class Correct(_Moved):
    quantity = _amount(min_value=None, help_text="so much more, or (less than 0) less")
    lot_id = s.UUIDField(required=False, allow_null=True)
    container_id = s.UUIDField(required=False, allow_null=True)
    reason = s.CharField(max_length=500)


class CountIt(Strict):
    id = s.UUIDField(required=False)
    item_id = s.UUIDField()
    lot_id = s.UUIDField(required=False, allow_null=True, help_text="only what is of that lot")
    counted = _amount(min_value=0, help_text="sealed and open together, in the item's unit")
    at = s.DateTimeField(required=False, allow_null=True)


class OpenIt(Strict):
    id = s.UUIDField(required=False)
    item_id = s.UUIDField()
    lot_id = s.UUIDField(
        required=False, allow_null=True, help_text="else the one in stock that expires first"
    )
    room_id = s.UUIDField(
        required=False, allow_null=True, help_text="where it stands; null: wherever it is wanted"
    )
    holds = _amount(required=False, help_text="what is in it; a pack unless said")
    at = s.DateTimeField(required=False, allow_null=True)


class Decant(Strict):
    id = s.UUIDField(required=False)
    quantity = _amount(help_text="into a clean, empty container; never into one in use")
    room_id = s.UUIDField(required=False, allow_null=True)
    at = s.DateTimeField(required=False, allow_null=True)


class MoveIt(Strict):
    room_id = s.UUIDField(allow_null=True)
    at = s.DateTimeField(required=False, allow_null=True)


class CloseIt(Strict):
    reason = s.ChoiceField(Closing.choices)
    at = s.DateTimeField(required=False, allow_null=True)


class Withdraw(Strict):
    reason = s.CharField(max_length=500)
