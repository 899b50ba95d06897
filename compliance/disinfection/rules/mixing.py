"""Mixing a soak solution: amounts from the label's ratio, strength in ppm, judging what was poured.

Volumes are millilitres as Decimal; readings in other units are converted by `kernel.units` first.
"""

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from enum import StrEnum

#: House policy: more than this share over the label's concentrate means "mix again".
OVER_TOLERANCE = Decimal("0.10")

#: A third of an ounce has no end in decimals: this much of a part is arithmetic, not a weak pour.
_ROUNDING = Decimal("1e-9")

#: So many marks at least are poured: rounding up by one is one per cent at most.
_MARKS_AT_LEAST = 100

#: Read before mixing; the product's own label and data sheet come first. Common practice.
CAUTIONS = (
    "Gloves and eye protection on, and fresh air.",
    "Water first, then the concentrate, unless the label says otherwise.",
    "Never mix bleach with acid, ammonia or another disinfectant.",
    "A container that changes product is emptied, washed and labelled anew.",
    "Use the ratio on the product's own label; local rules may ask for more.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dilution:
    """Parts of concentrate ADDED to parts of water, as one label states it.

    A bare "1:16" is not enough to make one: it may mean 1 added to 16 (`parts_water` 16) or 1 in
    a total of 16 (`in_total`, `parts_water` 15). `parts_water` 0 is a ready-to-use product.
    """

    parts_concentrate: Decimal
    parts_water: Decimal

    def __post_init__(self) -> None:
        if not (self.parts_concentrate.is_finite() and self.parts_water.is_finite()):
            raise ValueError("parts must be finite numbers")
        if self.parts_concentrate <= 0 or self.parts_water < 0:
            raise ValueError("a dilution needs some concentrate and no negative water")

    @classmethod
    def in_total(cls, *, parts_concentrate: Decimal, parts_total: Decimal) -> "Dilution":
        """The dilution of a label that counts parts of the finished solution ("1 in 16")."""
        return cls(parts_concentrate=parts_concentrate, parts_water=parts_total - parts_concentrate)

    @property
    def concentrate_share(self) -> Decimal:
        """Concentrate as a share of the finished volume, 0 to 1 (v/v)."""
        return self.parts_concentrate / (self.parts_concentrate + self.parts_water)


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """What goes, or went, into a container. Volumes are taken to add up, as labels take them."""

    concentrate_ml: Decimal
    water_ml: Decimal

    def __post_init__(self) -> None:
        if not (self.concentrate_ml.is_finite() and self.water_ml.is_finite()):
            raise ValueError("amounts must be finite numbers")
        if self.concentrate_ml < 0 or self.water_ml < 0:
            raise ValueError("an amount cannot be negative")

    @property
    def finished_ml(self) -> Decimal:
        return self.concentrate_ml + self.water_ml

    def plus(self, added: "Amounts") -> "Amounts":
        """The same bath after a top-up. Topping up changes the strength, never the use window."""
        return Amounts(
            concentrate_ml=self.concentrate_ml + added.concentrate_ml,
            water_ml=self.water_ml + added.water_ml,
        )


def amounts_for_finished(dilution: Dilution, finished_ml: Decimal) -> Amounts:
    """What to pour so that the container holds `finished_ml` in the end, unrounded."""
    concentrate = finished_ml * dilution.concentrate_share
    return Amounts(concentrate_ml=concentrate, water_ml=finished_ml - concentrate)


def amounts_for_water(dilution: Dilution, water_ml: Decimal) -> Amounts:
    """What to add to `water_ml` already measured, unrounded.

    Raises ValueError for a ready-to-use product: its label wants no water.
    """
    if dilution.parts_water == 0:
        raise ValueError("a ready-to-use product is not mixed with water")
    concentrate = water_ml * dilution.parts_concentrate / dilution.parts_water
    return Amounts(concentrate_ml=concentrate, water_ml=water_ml)


def readable(amounts: Amounts, *, step_ml: Decimal) -> Amounts:
    """`amounts` on the marks of a jug: concentrate up, water down, so never weaker than asked."""
    if step_ml <= 0:
        raise ValueError("a jug's marks are a positive step apart")
    return Amounts(
        concentrate_ml=_on_mark(amounts.concentrate_ml, step_ml, ROUND_CEILING),
        water_ml=_on_mark(amounts.water_ml, step_ml, ROUND_FLOOR),
    )


def _on_mark(amount_ml: Decimal, step_ml: Decimal, rounding: str) -> Decimal:
    # Thirds have no end in decimals: a mark that is met but for the last digit is met.
    marks = (amount_ml / step_ml).quantize(_ROUNDING)
    return marks.to_integral_value(rounding=rounding) * step_ml


def told(amounts: Amounts, *, unit_ml: Decimal, places: int) -> tuple[Decimal, Decimal, int]:
    """Concentrate and water in a unit of `unit_ml` to `places` decimals, or more where little is poured.

    As `readable`: whoever pours just that has poured no weaker than the label, and hardly stronger.
    """
    poured = [each for each in (amounts.concentrate_ml, amounts.water_ml) if each > 0]
    step = unit_ml.scaleb(-places)
    while min(poured, default=step * _MARKS_AT_LEAST) < step * _MARKS_AT_LEAST:
        step, places = step / 10, places + 1
    marked = readable(amounts, step_ml=step)
    return marked.concentrate_ml / unit_ml, marked.water_ml / unit_ml, places


def parts_per_million(amounts: Amounts, *, strength_percent: Decimal) -> Decimal:
    """Active ingredient in the finished bath; `strength_percent` is the concentrate's own.

    1 % is 10,000 ppm, the convention of the published dilution tables (WHO 2014, Annex G).
    Raises ValueError for an empty container.
    """
    if amounts.finished_ml == 0:
        raise ValueError("nothing was poured")
    return strength_percent * 10_000 * amounts.concentrate_ml / amounts.finished_ml


def dilution_for_ppm(*, target_ppm: Decimal, strength_percent: Decimal) -> Dilution:
    """1 part of concentrate to as many parts of water as bring it to `target_ppm`.

    Raises ValueError if the concentrate is weaker than the target.
    """
    if target_ppm <= 0:
        raise ValueError("a target strength is above zero")
    total = strength_percent * 10_000 / target_ppm
    return Dilution.in_total(parts_concentrate=Decimal(1), parts_total=total)


def is_known_bleach_strength(strength_percent: Decimal | None) -> bool:
    """Whether household bleach of that strength may be mixed by table.

    5 to 9 % sodium hypochlorite (US CDC, cleaning and disinfecting with bleach); unknown is no.
    """
    return strength_percent is not None and Decimal(5) <= strength_percent <= Decimal(9)


def strip_passes(*, reading_ppm: Decimal, target_ppm: Decimal) -> bool:
    """Whether a test strip shows at least the target; a failed strip ends the bath at once.

    Recording strips against a target: Simcoe Muskoka health unit, disinfecting solutions.
    """
    return reading_ppm >= target_ppm


class Pour(StrEnum):
    """How a poured bath compares with the label."""

    OK = "ok"
    WEAKER = "weaker"
    OVER = "over"


@dataclass(frozen=True, slots=True, kw_only=True)
class PourJudgement:
    """The verdict on one pour.

    `of_label` is poured concentrate over what the label wants for the poured water (1 = as the
    label says); None where no water was poured or none was wanted. `other_reading` is true when
    the amounts fit the ratio read the other way (added to water against in the total).
    """

    pour: Pour
    of_label: Decimal | None
    other_reading: bool
    what_to_do: str

    @property
    def is_usable(self) -> bool:
        return self.pour is Pour.OK


def judge_pour(
    label: Dilution, poured: Amounts, *, over_tolerance: Decimal = OVER_TOLERANCE
) -> PourJudgement:
    """Judge a whole bath, top-ups included, against the label. The pour is recorded either way.

    Weaker than the label is never usable; over by more than `over_tolerance` (house policy, 10 %)
    is mixed again. Concentrate is compared with what the label wants for the water poured.
    """
    of_label = _of_label(label, poured)
    if poured.concentrate_ml == 0 or (label.parts_water == 0 and poured.water_ml > 0):
        pour = Pour.WEAKER
    elif label.parts_water == 0:
        pour = Pour.OK
    elif of_label is None:
        pour = Pour.OVER
    else:
        pour = _graded(of_label, over_tolerance)
    other = pour is not Pour.OK and _fits_other_reading(label, poured)
    return PourJudgement(
        pour=pour, of_label=of_label, other_reading=other, what_to_do=_ADVICE[pour]
    )


def _of_label(label: Dilution, poured: Amounts) -> Decimal | None:
    if label.parts_water == 0 or poured.water_ml == 0:
        return None
    return poured.concentrate_ml / amounts_for_water(label, poured.water_ml).concentrate_ml


def _graded(of_label: Decimal, over_tolerance: Decimal) -> Pour:
    if of_label < 1 - _ROUNDING:
        return Pour.WEAKER
    return Pour.OVER if of_label > 1 + over_tolerance + _ROUNDING else Pour.OK


def _fits_other_reading(label: Dilution, poured: Amounts) -> bool:
    if poured.concentrate_ml == 0:
        return False
    water_parts = poured.water_ml / poured.concentrate_ml * label.parts_concentrate
    other_ways = (
        label.parts_water - label.parts_concentrate,
        label.parts_water + label.parts_concentrate,
    )
    # Half a per cent: a jug's mark, not another ratio.
    return any(abs(water_parts - way) <= way * Decimal("0.005") for way in other_ways if way > 0)


_ADVICE = {
    Pour.OK: "As the label says. Mark the container: product, ratio, mixed at, discard at, initials.",
    Pour.WEAKER: "Weaker than the label: do not use it. Discard it and mix again.",
    Pour.OVER: "Stronger than the label by more than house policy allows: discard it and mix again.",
}
