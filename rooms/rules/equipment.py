"""Equipment of a room or location: what may be logged of each kind, and what care is due. Pure.

How often is data of the requirement packs (`equipment_care`); dates are local days of the location.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Any


class EquipmentKind(StrEnum):
    """What a piece of equipment is."""

    WAX_POT = "wax_pot"
    TOWEL_WARMER = "towel_warmer"
    FOOT_BASIN = "foot_basin"
    SHARPS_BOX = "sharps_box"
    WASHING_MACHINE = "washing_machine"
    FIRST_AID_KIT = "first_aid_kit"
    EYE_WASH = "eye_wash"
    BLOOD_SPILL_KIT = "blood_spill_kit"


class LogKind(StrEnum):
    """What happened to a piece of equipment."""

    FILLED = "filled"
    MEASURED = "measured"
    SWITCHED_OFF = "switched_off"
    CONTAMINATED = "contaminated"
    EMPTIED = "emptied"
    CLEANED = "cleaned"
    DISINFECTED = "disinfected"
    LEFT_OPEN = "left_open"
    AFTER_CLIENT = "after_client"
    END_OF_DAY = "end_of_day"
    WEEKLY = "weekly"
    IDLE_DAY = "idle_day"
    OPENED = "opened"
    FULL = "full"
    REPLACED = "replaced"
    WASHED = "washed"
    CHECKED = "checked"


_K, _L = EquipmentKind, LogKind
#: What may be logged of which kind. `switched_off` of a pot: off and covered; `left_open` of a towel
#: warmer: emptied and left open for the night.
LOGGED: Mapping[EquipmentKind, frozenset[LogKind]] = {
    _K.WAX_POT: frozenset(
        {_L.FILLED, _L.MEASURED, _L.SWITCHED_OFF, _L.CONTAMINATED, _L.EMPTIED, _L.CLEANED}
    ),
    _K.TOWEL_WARMER: frozenset({_L.DISINFECTED, _L.LEFT_OPEN, _L.IDLE_DAY}),
    _K.FOOT_BASIN: frozenset({_L.AFTER_CLIENT, _L.END_OF_DAY, _L.WEEKLY, _L.IDLE_DAY}),
    _K.SHARPS_BOX: frozenset({_L.OPENED, _L.FULL, _L.REPLACED}),
    _K.WASHING_MACHINE: frozenset({_L.WASHED, _L.CLEANED}),
    _K.FIRST_AID_KIT: frozenset({_L.CHECKED, _L.REPLACED}),
    _K.EYE_WASH: frozenset({_L.CHECKED, _L.REPLACED}),
    _K.BLOOD_SPILL_KIT: frozenset({_L.CHECKED, _L.REPLACED}),
}


class Flaw(StrEnum):
    """What is wrong with something that was logged or not logged."""

    TOO_HOT = "too_hot"
    TOO_COLD = "too_cold"
    MEASURED_EMPTY = "measured_empty"
    FILLED_ON_TOP = "filled_on_top"
    FILLED_CONTAMINATED = "filled_contaminated"
    CLEANED_FULL = "cleaned_full"
    NO_PUBLISHED_WASH = "no_published_wash"
    CARE_MISSED = "care_missed"
    NO_LOG = "no_log"
    BOX_FULL = "box_full"
    OUT_OF_DATE = "out_of_date"


WHAT_TO_DO: Mapping[Flaw, str] = {
    Flaw.TOO_HOT: "Do not use it. Let it cool, stir, and measure again before anyone is touched.",
    Flaw.TOO_COLD: "Do not use it. Let it warm to the product's range and measure again.",
    Flaw.MEASURED_EMPTY: "Put on record what the pot holds, then measure again.",
    Flaw.FILLED_ON_TOP: "Two lots are in one pot: both stay on record. Empty it before the next filling.",
    Flaw.FILLED_CONTAMINATED: "Empty the pot, clean and disinfect it, then fill it with new wax only.",
    Flaw.CLEANED_FULL: "The inside is cleaned and disinfected when it is empty: empty it first.",
    Flaw.NO_PUBLISHED_WASH: "Wash the load again as your rule says, before any of it is used.",
    Flaw.CARE_MISSED: "Do it now and log it; the day it was missed stays on record.",
    Flaw.NO_LOG: "Out of use until it is cleaned, disinfected and logged again.",
    Flaw.BOX_FULL: "Close it, seal it for collection and put a new box in its place.",
    Flaw.OUT_OF_DATE: "Replace it and put the new date on record.",
}
#: With one of these a piece may not be used.
STOPS_USE = (Flaw.NO_LOG, Flaw.BOX_FULL, Flaw.OUT_OF_DATE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """That `event` is due on each of so many open days; an `unless` of that time stands for it.

    `stops_use`: without it the piece is out of use.
    """

    kind: EquipmentKind
    event: LogKind
    every_days: int
    unless: frozenset[LogKind] = frozenset()
    stops_use: bool = False
    citation: str = ""
    strength: str = ""


def care_from(rows: Iterable[Mapping[str, Any]]) -> tuple[Care, ...]:
    """What a pack's rows ask for; raises ValueError for an event that this kind does not have."""
    found = []
    for row in rows:
        one = Care(
            kind=EquipmentKind(row["kind"]),
            event=LogKind(row["event"]),
            every_days=row["every_days"],
            unless=frozenset(LogKind(word) for word in row.get("unless", [])),
            stops_use=row.get("stops_use", False),
            citation=row["citation"],
            strength=row["strength"],
        )
        if not {one.event, *one.unless} <= LOGGED[one.kind]:
            raise ValueError(f"{one.kind} has no {one.event} to log")
        found.append(one)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """One standing entry of the log, on its local day."""

    kind: LogKind
    on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A care that was not taken: the open days on which it should have been, oldest first."""

    care: Care
    days: tuple[date, ...]


#: No further back is looked: what was not done then has its flaw (house policy).
LOOK_BACK_DAYS = 31


def care_due(
    cares: Iterable[Care],
    log: Sequence[Logged],
    *,
    open_days: Sequence[date],
) -> tuple[Due, ...]:
    """What of `cares`, all of one piece, is missing over `open_days`, which are over and in order.

    Each day of a daily care needs an entry of that day. Of a rarer one a day is missed when no
    entry was made in the `every_days` up to and including it, nor the piece is newer than that.
    """
    if not open_days:
        return ()
    first = open_days[0]
    found = []
    for care in cares:
        done = {one.on for one in log if one.kind in {care.event, *care.unless}}
        missed = tuple(day for day in open_days if _is_missed(care, done, day, first))
        if missed:
            found.append(Due(care=care, days=missed))
    return tuple(found)


def _is_missed(care: Care, done: set[date], day: date, first: date) -> bool:
    window = [day - timedelta(days=back) for back in range(care.every_days)]
    return not done.intersection(window) and window[-1] >= first


def is_out_of_use(due: Iterable[Due], log: Sequence[Logged]) -> bool:
    """Whether a care that stops use was missed and not taken since: a later idle day is no cleaning."""
    return any(
        one.care.stops_use
        and not any(entry.kind is one.care.event and entry.on > one.days[-1] for entry in log)
        for one in due
    )


def box_is_full(log: Sequence[Logged]) -> bool:
    """Whether a sharps box was called full and not replaced since; `log` in the order it happened."""
    full = False
    for one in log:
        if one.kind in {LogKind.FULL, LogKind.REPLACED, LogKind.OPENED}:
            full = one.kind is LogKind.FULL
    return full
