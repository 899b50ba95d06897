"""Volumes in millilitres; the entered unit is kept beside them by whoever stores them.

Factors are exact by definition: the US gallon is 231 cubic inches, an inch is 25.4 mm; the
imperial gallon is 4.54609 L (UK Weights and Measures Act 1985). Checked against pint in the tests.
"""

from decimal import Decimal
from enum import StrEnum

_US_GALLON_ML = Decimal(231) * Decimal("2.54") ** 3
_IMPERIAL_GALLON_ML = Decimal("4546.09")


class VolumeUnit(StrEnum):
    """A unit in which someone may read a measuring jug."""

    MILLILITRE = "mL"
    LITRE = "L"
    US_FLUID_OUNCE = "US fl oz"
    US_CUP = "US cup"
    US_PINT = "US pt"
    US_QUART = "US qt"
    US_GALLON = "US gal"
    US_TABLESPOON = "US tbsp"
    US_TEASPOON = "US tsp"
    IMPERIAL_FLUID_OUNCE = "imp fl oz"
    IMPERIAL_PINT = "imp pt"
    IMPERIAL_QUART = "imp qt"
    IMPERIAL_GALLON = "imp gal"


MILLILITRES: dict[VolumeUnit, Decimal] = {
    VolumeUnit.MILLILITRE: Decimal(1),
    VolumeUnit.LITRE: Decimal(1000),
    VolumeUnit.US_FLUID_OUNCE: _US_GALLON_ML / 128,
    VolumeUnit.US_CUP: _US_GALLON_ML / 16,
    VolumeUnit.US_PINT: _US_GALLON_ML / 8,
    VolumeUnit.US_QUART: _US_GALLON_ML / 4,
    VolumeUnit.US_GALLON: _US_GALLON_ML,
    VolumeUnit.US_TABLESPOON: _US_GALLON_ML / 256,
    VolumeUnit.US_TEASPOON: _US_GALLON_ML / 768,
    VolumeUnit.IMPERIAL_FLUID_OUNCE: _IMPERIAL_GALLON_ML / 160,
    VolumeUnit.IMPERIAL_PINT: _IMPERIAL_GALLON_ML / 8,
    VolumeUnit.IMPERIAL_QUART: _IMPERIAL_GALLON_ML / 4,
    VolumeUnit.IMPERIAL_GALLON: _IMPERIAL_GALLON_ML,
}


def to_millilitres(amount: Decimal, unit: VolumeUnit) -> Decimal:
    """`amount` of `unit` in millilitres, unrounded."""
    return amount * MILLILITRES[unit]


def from_millilitres(millilitres: Decimal, unit: VolumeUnit) -> Decimal:
    """`millilitres` expressed in `unit`, unrounded."""
    return millilitres / MILLILITRES[unit]


def jug_of(unit: VolumeUnit) -> tuple[VolumeUnit, int]:
    """In which unit of the same system little is measured, and to how many decimals a jug shows it."""
    if unit in {VolumeUnit.MILLILITRE, VolumeUnit.LITRE}:
        return VolumeUnit.MILLILITRE, 0
    ounce = VolumeUnit.US_FLUID_OUNCE if unit.startswith("US") else VolumeUnit.IMPERIAL_FLUID_OUNCE
    return ounce, 2
