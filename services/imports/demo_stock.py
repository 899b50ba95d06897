"""The stock of the invented demo business: what is kept, in which lots, and what is open in which room.

Amounts, packs and lead days are of the usual size: common practice, no source. Nothing here exists.
"""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoItem:
    """An item; `lots` are amount and days until the date on their label, `opened` in which rooms one stands open."""

    name: str
    part: str
    unit: str
    code: str
    size: str
    uses_each: str
    pack_size: str
    lead_days: int
    months_after_opening: int | None
    lots: tuple[tuple[str, int], ...]
    opened: int


def _item(
    name: str, unit: str, code: str, numbers: tuple[str, str, int], lots: Any, *,
    size: str = "", months: int | None = None, part: str = "professional", opened: int = 1,
) -> DemoItem:  # fmt: skip
    uses_each, pack_size, lead_days = numbers
    return DemoItem(
        name=name, part=part, unit=unit, code=code, size=size, uses_each=uses_each,
        pack_size=pack_size, lead_days=lead_days, months_after_opening=months, lots=tuple(lots),
        opened=opened,
    )  # fmt: skip


_YEARS = 900
STOCK = (
    _item("Invented applicators, small", "piece", "wax_applicator", ("1", "500", 5), [("4000", _YEARS)], size="small"),
    _item("Invented applicators, medium", "piece", "wax_applicator", ("1", "500", 5), [("3000", _YEARS)], size="medium"),
    _item("Invented applicators, large", "piece", "wax_applicator", ("1", "250", 5), [("2500", _YEARS)], size="large"),
    _item("Invented strips, small", "piece", "wax_strip", ("1", "250", 5), [("2000", _YEARS)], size="small"),
    _item("Invented strips, large", "piece", "wax_strip", ("1", "250", 5), [("2000", _YEARS)], size="large"),
    _item("Invented gloves without powder", "pair", "gloves", ("1", "50", 3), [("100", 700), ("300", 800)]),
    _item("Invented cotton pads", "piece", "drying_cotton", ("1", "200", 3), [("2000", _YEARS)]),
    _item("Invented calming gel", "mL", "calming_gel", ("3", "250", 7), [("250", 40), ("1000", 500)], months=6),
    _item("Invented cleanser", "mL", "cleanser", ("5", "500", 7), [("3000", 400)], months=12),
    _item("Invented hard wax", "g", "wax_pot_hard", ("25", "1000", 10), [("1000", 20), ("4000", 400)], months=12),
    _item("Invented soft wax", "g", "wax_pot_soft", ("30", "800", 10), [("4000", 400)], months=12),
    _item("Invented lotion for at home", "piece", "", ("0", "6", 10), [("12", 500)], part="retail", opened=0),
)  # fmt: skip
