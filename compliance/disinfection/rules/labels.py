"""What a product's label says beside its ratio: its family, what it is not for, how to mix it.

The texts advise; the product's own label and safety data sheet come first.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

from compliance.disinfection.rules.mixing import (
    Amounts,
    Dilution,
    is_known_bleach_strength,
    parts_per_million,
)
from compliance.disinfection.rules.reprocessing import ImplementClass


class Family(StrEnum):
    """What a product is made of, as far as that decides what it must never meet."""

    BLEACH = "bleach"
    ACID = "acid"
    AMMONIA = "ammonia"
    QUAT = "quat"
    PHENOL = "phenol"
    ALCOHOL = "alcohol"
    PEROXIDE = "peroxide"
    ALDEHYDE = "aldehyde"
    OTHER = "other"


class Material(StrEnum):
    """What an implement is made of, as far as labels exclude it."""

    STAINLESS_STEEL = "stainless_steel"
    OTHER_STEEL = "other_steel"
    PLATED_METAL = "plated_metal"
    ALUMINIUM = "aluminium"
    COPPER_ALLOY = "copper_alloy"
    PLASTIC = "plastic"
    RUBBER = "rubber"
    SILICONE = "silicone"
    GLASS = "glass"
    BRISTLE = "bristle"
    WOOD = "wood"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotFor:
    """What the label says the product is not for; empty where it says nothing."""

    classes: frozenset[ImplementClass] = frozenset()
    materials: frozenset[Material] = frozenset()

    def excludes(self, kind: ImplementClass, materials: Iterable[Material]) -> bool:
        """Whether an implement of that class and those materials must not meet the product."""
        return kind in self.classes or not self.materials.isdisjoint(materials)


def not_for_from(stored: Mapping[str, Any]) -> NotFor:
    """From `{"classes"?: [...], "materials"?: [...]}`. Raises ValueError for a word not known."""
    return NotFor(
        classes=frozenset(map(ImplementClass, stored.get("classes", ()))),
        materials=frozenset(map(Material, stored.get("materials", ()))),
    )


def strength_is_acceptable(family: Family, strength_percent: Decimal | None) -> bool:
    """Whether a product of that strength may be put on file: bleach only in the known range."""
    if family is Family.BLEACH:
        return is_known_bleach_strength(strength_percent)
    return strength_percent is None or 0 < strength_percent <= 100


def ppm_of_label(
    label: Dilution, *, strength_percent: Decimal | None, stated_ppm: Decimal | None
) -> Decimal | None:
    """Active ingredient in a bath as the label has it: as stated, else by strength and ratio.

    None where the label says neither: a strip then has no target.
    """
    if stated_ppm is not None:
        return stated_ppm
    if strength_percent is None:
        return None
    one = Amounts(concentrate_ml=label.parts_concentrate, water_ml=label.parts_water)
    return parts_per_million(one, strength_percent=strength_percent)


def may_not_meet(one: Family, other: Family) -> bool:
    """Whether what is left of one product may make a gas, heat or nothing useful with the other.

    Bleach meets nothing else; acid meets no peroxide either (common practice, and what labels say).
    """
    if one is other and one is not Family.OTHER:
        return False
    pair = {one, other}
    return Family.BLEACH in pair or pair == {Family.ACID, Family.PEROXIDE}


_WATER_FIRST = "Measure {water} of water into the container, then add {concentrate} of concentrate."
_OTHER_ORDER = (
    "This label wants the concentrate first: pour {concentrate}, then add {water} of water slowly."
)
_READY = "Ready to use: pour {concentrate} and add no water."


def mixing_order(*, concentrate: str, water: str, concentrate_first: bool, ready: bool) -> str:
    """The pouring in order; water first unless the label says otherwise (common practice)."""
    text = _READY if ready else _OTHER_ORDER if concentrate_first else _WATER_FIRST
    return text.format(concentrate=concentrate, water=water)


_WITH_BLEACH = (
    "This is bleach: with acid it gives off chlorine, with ammonia chloramines, both poisonous. "
    "Mix it with nothing but water, and leave the room if it smells sharp."
)
_NEVER_WITH_BLEACH = "Never let this meet bleach: poisonous gas can form."
_FAMILY_CAUTIONS: Mapping[Family, tuple[str, ...]] = {
    Family.BLEACH: (_WITH_BLEACH,),
    Family.ACID: (_NEVER_WITH_BLEACH, "Add acid to water, never water to acid."),
    Family.AMMONIA: (_NEVER_WITH_BLEACH,),
    Family.QUAT: ("Soap left on an implement makes it weaker: rinse before the bath.",),
    Family.ALCOHOL: ("It burns: keep it from flames, heaters and sparks.",),
}


def cautions_for(family: Family) -> tuple[str, ...]:
    """What to mind with that family beside the usual cautions. Common practice; the label first."""
    return _FAMILY_CAUTIONS.get(family, ())


def initials(name: str) -> str:
    """The first letters of a person's names, for a label: at most three."""
    return "".join(word[0] for word in name.split())[:3].upper()


def ratio_in_words(label: Dilution) -> str:
    """The ratio as nobody can read it two ways: parts added to parts of water."""
    if label.parts_water == 0:
        return "ready to use, no water added"
    concentrate, water = (
        f"{n.normalize():f}" for n in (label.parts_concentrate, label.parts_water)
    )
    part = "part" if concentrate == "1" else "parts"
    return f"{concentrate} {part} of concentrate added to {water} of water"
