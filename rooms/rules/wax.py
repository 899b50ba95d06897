"""Wax pots: what a pot holds, its last reading, and whether it may be used now. Pure.

No regulator's limit for wax on skin was found (trade-facts 8.01): the range is the product label's,
the reading before use of each day is house policy, and wax is tried on one's own wrist for each client.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from rooms.rules.equipment import Flaw, LogKind

CAUTION = (
    "No published limit for wax on skin was found: the product's label gives the range, a reading before "
    "use each day is house policy. Stir, measure, and try it on your own wrist for each client. "
    "Never in a microwave: wax from one peaked at 108.5 C in a burn unit's study (Eplasty 2011;11:e25). "
    "Heat does not make used wax clean. Your local board and the licensed practitioner's judgement come first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """What a pot holds: one product of one lot, with its label's range in degrees Celsius."""

    id: UUID
    product: str
    lot: str
    lowest: Decimal
    highest: Decimal
    #: The last local day on which it may be used, if the label says one.
    use_by: date | None = None

    def __post_init__(self) -> None:
        if self.lowest > self.highest:
            raise ValueError("a range goes from the lower to the higher temperature")


@dataclass(frozen=True, slots=True, kw_only=True)
class PotEntry:
    """One standing entry of a pot's log: `celsius` of a reading, `filling` of a filling."""

    id: UUID
    kind: LogKind
    at: datetime
    recorded_at: datetime
    celsius: Decimal | None = None
    filling: Filling | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pot:
    """Where a pot stands. `reading` is the last one since it was filled and switched on."""

    filling: Filling | None = None
    reading: PotEntry | None = None
    is_contaminated: bool = False
    #: Emptied since it was contaminated, and not yet cleaned.
    is_emptied: bool = True


class NotUsable(StrEnum):
    """Why a pot may not be used now."""

    CONTAMINATED = "contaminated"
    EMPTY = "empty"
    PAST_USE_BY = "past_use_by"
    NOT_MEASURED_TODAY = "not_measured_today"
    TOO_HOT = "too_hot"
    TOO_COLD = "too_cold"


WHAT_TO_DO: Mapping[NotUsable, str] = {
    NotUsable.CONTAMINATED: "Empty the pot, clean and disinfect it, then fill it with new wax only.",
    NotUsable.EMPTY: "Fill it, and put on record with which product, lot and range.",
    NotUsable.PAST_USE_BY: "Discard the wax, clean the pot and fill it with a lot that is in date.",
    NotUsable.NOT_MEASURED_TODAY: "Measure it now, before anyone is touched.",
    NotUsable.TOO_HOT: "Let it cool, stir, and measure again before anyone is touched.",
    NotUsable.TOO_COLD: "Let it warm to the product's range and measure again.",
}


def in_order(entries: Iterable[PotEntry]) -> list[PotEntry]:
    """Entries as they happened; of one instant the one recorded first."""
    return sorted(entries, key=lambda one: (one.at, one.recorded_at, one.id))


def pot_after(entries: Iterable[PotEntry]) -> Pot:
    """Where a pot stands after its standing entries, in whatever order they came in."""
    pot = Pot()
    for entry in in_order(entries):
        pot = after(pot, entry)
    return pot


def after(pot: Pot, entry: PotEntry) -> Pot:
    """The pot after one more entry. New wax and switching off both ask for a new reading."""
    match entry.kind:
        case LogKind.FILLED:
            return Pot(filling=entry.filling, is_contaminated=pot.is_contaminated, is_emptied=False)
        case LogKind.MEASURED:
            return Pot(
                filling=pot.filling,
                reading=entry if pot.filling else None,
                is_contaminated=pot.is_contaminated,
                is_emptied=pot.is_emptied,
            )
        case LogKind.EMPTIED:
            return Pot(is_contaminated=pot.is_contaminated, is_emptied=True)
        case LogKind.CONTAMINATED:
            return Pot(filling=pot.filling, is_contaminated=True, is_emptied=False)
        case LogKind.CLEANED if pot.is_emptied:
            return Pot(filling=pot.filling)
        case LogKind.SWITCHED_OFF:
            return Pot(
                filling=pot.filling,
                is_contaminated=pot.is_contaminated,
                is_emptied=pot.is_emptied,
            )
    return pot


def flaws_of(pot: Pot, entry: PotEntry) -> tuple[Flaw, ...]:
    """What is wrong with `entry`, made to a pot that stood at `pot`. It is recorded all the same."""
    if entry.kind is LogKind.MEASURED:
        if pot.filling is None:
            return (Flaw.MEASURED_EMPTY,)
        beside = _beside(pot.filling, entry.celsius)
        return (Flaw(beside.value),) if beside else ()
    if entry.kind is LogKind.FILLED:
        on_top = (Flaw.FILLED_ON_TOP,) if pot.filling else ()
        return (*on_top, *((Flaw.FILLED_CONTAMINATED,) if pot.is_contaminated else ()))
    if entry.kind is LogKind.CLEANED and not pot.is_emptied:
        return (Flaw.CLEANED_FULL,)
    return ()


def _beside(filling: Filling, celsius: Decimal | None) -> NotUsable | None:
    if celsius is None or celsius > filling.highest:
        return NotUsable.TOO_HOT
    return NotUsable.TOO_COLD if celsius < filling.lowest else None


def why_not(pot: Pot, *, now: datetime, local_day: Callable[[datetime], date]) -> NotUsable | None:
    """Why the pot may not be used at `now`; None: it may. The last reading decides, of today only."""
    if pot.is_contaminated:
        return NotUsable.CONTAMINATED
    if pot.filling is None:
        return NotUsable.EMPTY
    today = local_day(now)
    if pot.filling.use_by is not None and today > pot.filling.use_by:
        return NotUsable.PAST_USE_BY
    if pot.reading is None or local_day(pot.reading.at) != today or pot.reading.at > now:
        return NotUsable.NOT_MEASURED_TODAY
    return _beside(pot.filling, pot.reading.celsius)


@dataclass(frozen=True, slots=True, kw_only=True)
class PotInRoom:
    """A pot as a line's start sees it; `why_not` as the function above answers."""

    id: UUID
    why_not: NotUsable | None


def pot_to_use(pots: Sequence[PotInRoom], chosen: UUID | None) -> PotInRoom | None:
    """Of a room's pots for the line's wax the one it starts from; None where there is none on file.

    The chosen one; else the first that may be used, else the first. Raises KeyError for a chosen
    one that is not among them.
    """
    if chosen is not None:
        return {pot.id: pot for pot in pots}[chosen]
    return next((pot for pot in pots if pot.why_not is None), pots[0] if pots else None)
