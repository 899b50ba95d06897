"""Ticks on a set-up list: what stands as laid out, what has to be laid out again or put back. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from services.rules.set_up import SetUpItem


class ItemState(StrEnum):
    """Where an item of a list stands."""

    TO_DO = "to_do"
    LAID_OUT = "laid_out"
    MORE_NEEDED = "more_needed"
    LAY_OUT_AGAIN = "lay_out_again"
    STRUCK_OUT = "struck_out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """That somebody laid an item out, and how many, or that it is not laid out after all."""

    id: UUID
    item: str
    count: int
    laid_out: bool
    happened_at: datetime
    recorded_at: datetime
    recorded_by: UUID | None


def standing(ticks: Iterable[Tick]) -> dict[str, Tick]:
    """The last tick of each item, by when it happened; of one instant the one recorded later."""
    found: dict[str, Tick] = {}
    for tick in sorted(ticks, key=lambda t: (t.happened_at, t.recorded_at, t.id)):
        found[tick.item] = tick
    return found


def state_of(item: SetUpItem, tick: Tick | None) -> ItemState:
    """Where an item stands by its last tick.

    What was laid out before something was known that makes it another does not count: the gloves
    on the tray may be the wrong ones.
    """
    if item.is_struck:
        return ItemState.STRUCK_OUT
    if tick is None or not tick.laid_out:
        return ItemState.TO_DO
    if item.since is not None and tick.happened_at < item.since:
        return ItemState.LAY_OUT_AGAIN
    return ItemState.MORE_NEEDED if tick.count < item.count else ItemState.LAID_OUT


def is_complete(items: Iterable[SetUpItem], ticks: Mapping[str, Tick]) -> bool:
    """Whether there is a list, and all of it that is not struck out is laid out."""
    states = [state_of(item, ticks.get(item.key)) for item in items]
    return bool(states) and set(states) <= {ItemState.LAID_OUT, ItemState.STRUCK_OUT}


def to_put_back(items: Iterable[SetUpItem], ticks: Mapping[str, Tick]) -> list[Tick]:
    """What was laid out and is not on the list any more, or struck out since, by key."""
    wanted = {item.key for item in items if not item.is_struck}
    return [t for key, t in sorted(ticks.items()) if t.laid_out and key not in wanted]
