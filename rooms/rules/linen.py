"""Linen: whether a wash is one of those that a jurisdiction's rule names. Pure.

The ways are data of the requirement packs (trade-facts 11.10-11.14). A wash that is none of them
is recorded with a flaw, never refused: it has happened.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

from rooms.rules.temperature import TemperatureUnit, to_celsius


class Laundering(StrEnum):
    """What a wash was done with, besides hot water for so long."""

    DETERGENT = "detergent"
    BLEACH = "bleach"
    GERMICIDE = "germicide"
    HOT_WATER = "hot_water"
    DRIED_HOT_TO_TOUCH = "dried_hot_to_touch"
    COMMERCIAL_COLD_CHEMICAL = "commercial_cold_chemical"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPair:
    """At least so hot for at least so many minutes. A rule that names both scales means either."""

    minutes: int
    celsius: Decimal | None = None
    fahrenheit: Decimal | None = None
    citation: str = ""

    def __post_init__(self) -> None:
        if self.celsius is None and self.fahrenheit is None:
            raise ValueError("a pair of heat and time needs a temperature")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """A way with no stated temperature: everything in `needs` was used."""

    needs: frozenset[Laundering]
    citation: str = ""


WashWay = HeatPair | Chemistry


@dataclass(frozen=True, slots=True, kw_only=True)
class Wash:
    """A wash as it was done. `minutes` are those at the temperature, filling and mixing not counted."""

    degrees: Decimal | None = None
    unit: TemperatureUnit = TemperatureUnit.CELSIUS
    minutes: int | None = None
    used: frozenset[Laundering] = frozenset()


def ways_from(rows: Iterable[Mapping[str, Any]]) -> tuple[WashWay, ...]:
    """The ways in parsed rows of a pack; raises ValueError for a row that is neither kind."""
    return tuple(_way(row) for row in rows)


def _way(row: Mapping[str, Any]) -> WashWay:
    if row["kind"] == "heat":
        return HeatPair(
            minutes=row["minutes"],
            celsius=Decimal(row["celsius"]) if "celsius" in row else None,
            fahrenheit=Decimal(row["fahrenheit"]) if "fahrenheit" in row else None,
            citation=row["citation"],
        )
    if row["kind"] == "chemistry":
        return Chemistry(
            needs=frozenset(Laundering(word) for word in row["needs"]), citation=row["citation"]
        )
    raise ValueError(f"{row['kind']} is no way of washing linen")


def ways_met(wash: Wash, ways: Sequence[WashWay]) -> tuple[WashWay, ...]:
    """Those of `ways` that this wash was; none: a flaw."""
    return tuple(way for way in ways if _is(wash, way))


def _is(wash: Wash, way: WashWay) -> bool:
    if isinstance(way, Chemistry):
        return way.needs <= wash.used
    if wash.degrees is None or wash.minutes is None:
        return False
    return wash.minutes >= way.minutes and _is_as_hot(wash.degrees, wash.unit, way)


def _is_as_hot(degrees: Decimal, unit: TemperatureUnit, way: HeatPair) -> bool:
    # 160 F is published as 71.1 C: read in the scale of the thermometer, either is enough.
    stated = way.celsius if unit is TemperatureUnit.CELSIUS else way.fahrenheit
    if stated is not None:
        return degrees >= stated
    other = (
        (way.fahrenheit, TemperatureUnit.FAHRENHEIT)
        if unit is TemperatureUnit.CELSIUS
        else (way.celsius, TemperatureUnit.CELSIUS)
    )
    assert other[0] is not None  # noqa: S101 - HeatPair has at least one
    return to_celsius(degrees, unit) >= to_celsius(other[0], other[1])
