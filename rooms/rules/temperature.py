"""Temperatures as they are read off a thermometer. Pure; exact in both scales."""

from decimal import Decimal
from enum import StrEnum

_FREEZING_F = Decimal(32)


class TemperatureUnit(StrEnum):
    """The scale on a thermometer or a label."""

    CELSIUS = "C"
    FAHRENHEIT = "F"


#: What a thermometer in these rooms can show; anything else is a slip of the finger.
LOWEST_CELSIUS, HIGHEST_CELSIUS = Decimal(-20), Decimal(150)


def to_celsius(amount: Decimal, unit: TemperatureUnit) -> Decimal:
    """`amount` degrees of `unit` in degrees Celsius, unrounded."""
    if unit is TemperatureUnit.CELSIUS:
        return amount
    return (amount - _FREEZING_F) * 5 / 9


def from_celsius(celsius: Decimal, unit: TemperatureUnit) -> Decimal:
    """Degrees Celsius in degrees of `unit`, unrounded."""
    if unit is TemperatureUnit.CELSIUS:
        return celsius
    return celsius * 9 / 5 + _FREEZING_F


def is_plausible(celsius: Decimal) -> bool:
    """Whether a thermometer in these rooms can have shown it."""
    return LOWEST_CELSIUS <= celsius <= HIGHEST_CELSIUS
