"""Opening and closing lists: which rows a list has, how each stands, and what is wrong with it. Pure.

The items are data of the requirement packs (`opening_list`, `closing_list`). What the program knows
of a row stands beside it and ticks nothing: whoever looked ticks by name.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Any
from uuid import UUID


class ListKind(StrEnum):
    """Which list of a day."""

    OPENING = "opening"
    CLOSING = "closing"


class Known(StrEnum):
    """What the program itself can say about an item."""

    FRESH_BATHS = "fresh_baths"
    STRIPS_READ = "strips_read"
    BATHS_DUMPED = "baths_dumped"
    POT_READY = "pot_ready"
    POT_OFF = "pot_off"
    ROOM_AT_REST = "room_at_rest"
    WARMER_OPEN = "warmer_open"
    BASIN_DONE = "basin_done"
    BOX_NOT_FULL = "box_not_full"
    IN_DATE = "in_date"
    LICENCE_VALID = "licence_valid"


class Asks(StrEnum):
    """What a tick says besides done."""

    NOTHING = "nothing"
    COUNT = "count"
    READING = "reading"


#: What a row is made for: once, for each room, or for each piece of that kind of equipment.
LOCATION, ROOM = "location", "room"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListItem:
    """One item of a list, as data has it. `always`: one row also where no such piece is on file."""

    code: str
    title: str
    per: str = LOCATION
    always: bool = False
    asks: Asks = Asks.NOTHING
    unit: str = ""
    known: Known | None = None
    citation: str = ""
    strength: str = ""


def items_from(
    house: Iterable[Mapping[str, Any]], own: Iterable[Mapping[str, Any]] = ()
) -> tuple[ListItem, ...]:
    """The house's items in their order, those of a jurisdiction's own in their place or behind them.

    Raises ValueError for a doubled code.
    """
    found: dict[str, ListItem] = {}
    for rows in (house, own):
        seen: set[str] = set()
        for row in rows:
            if row["code"] in seen:
                raise ValueError(f"{row['code']} is listed twice")
            seen.add(row["code"])
            found[row["code"]] = _item(row)
    return tuple(found.values())


def _item(row: Mapping[str, Any]) -> ListItem:
    known = row.get("known")
    return ListItem(
        code=row["code"],
        title=row["title"],
        per=row.get("per", LOCATION),
        always=row.get("always", False),
        asks=Asks(row.get("asks", Asks.NOTHING)),
        unit=row.get("unit", ""),
        known=Known(known) if known else None,
        citation=row["citation"],
        strength=row["strength"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """A room or a piece of equipment of the location, by what `ListItem.per` calls it."""

    id: UUID
    per: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a list; `key` is what it is ticked by."""

    key: str
    item: ListItem
    subject_id: UUID | None = None
    name: str = ""


def rows_of(items: Sequence[ListItem], things: Sequence[Thing]) -> tuple[Row, ...]:
    """The rows that these items make at a location with these rooms and pieces, in the items' order."""
    found: list[Row] = []
    for item in items:
        mine = [thing for thing in things if thing.per == item.per]
        if item.per == LOCATION or (not mine and item.always):
            found.append(Row(key=item.code, item=item))
        found += [
            Row(key=f"{item.code}:{thing.id}", item=item, subject_id=thing.id, name=thing.name)
            for thing in mine
        ]
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """That somebody did a row, with the count or reading it asks for, or that it is not done."""

    id: UUID
    key: str
    done: bool
    number: Decimal | None
    happened_at: datetime
    recorded_at: datetime
    recorded_by: UUID | None
    #: The program knew otherwise when it was ticked.
    contradicted: bool = False


def standing(ticks: Iterable[Tick]) -> dict[str, Tick]:
    """The last tick of each row, by when it happened; of one instant the one recorded later."""
    found: dict[str, Tick] = {}
    for tick in sorted(ticks, key=lambda t: (t.happened_at, t.recorded_at, t.id)):
        found[tick.key] = tick
    return found


class RowState(StrEnum):
    """How a row stands. All but `done` are flaws of the list."""

    DONE = "done"
    BLANK = "blank"
    NOT_DONE = "not_done"
    CONTRADICTED = "contradicted"


def state_of(tick: Tick | None) -> RowState:
    """How a row stands by its last tick."""
    if tick is None:
        return RowState.BLANK
    if not tick.done:
        return RowState.NOT_DONE
    return RowState.CONTRADICTED if tick.contradicted else RowState.DONE


def keys_by_state(rows: Iterable[Row], ticks: Mapping[str, Tick]) -> dict[RowState, list[str]]:
    """The keys of a list's rows by how they stand, in the list's order; every state is there."""
    found: dict[RowState, list[str]] = {state: [] for state in RowState}
    for row in rows:
        found[state_of(ticks.get(row.key))].append(row.key)
    return found


def is_complete(rows: Sequence[Row], ticks: Mapping[str, Tick]) -> bool:
    """Whether there is a list and every row of it was done."""
    found = keys_by_state(rows, ticks)
    return bool(rows) and not found[RowState.BLANK] and not found[RowState.NOT_DONE]
