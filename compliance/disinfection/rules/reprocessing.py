"""The words of an implement's way back: classes, states, legal moves, events, what a bath is.

Events are recorded as they happened, also when wrong; `clearance` derives what follows from them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any
from uuid import UUID

#: After the whole wet time a wiped implement dries 2 to 4 min (common practice, no source).
DRYING_SECONDS_AT_LEAST = 120


class ImplementClass(StrEnum):
    """How an implement may be disinfected at all."""

    IMMERSIBLE = "immersible"
    NOT_IMMERSIBLE = "not_immersible"
    ELECTRICAL_WITH_REMOVABLE_PARTS = "electrical_with_removable_parts"
    MUST_BE_STERILISED = "must_be_sterilised"

    @property
    def is_wiped(self) -> bool:
        return self in {self.NOT_IMMERSIBLE, self.ELECTRICAL_WITH_REMOVABLE_PARTS}


class ImplementState(StrEnum):
    """Where an implement stands on its way back: clean, disinfect, rinse, dry, store; or clean, pack,
    sterilise.

    `CLEANED` is washed, rinsed and dried, or wiped clean; `DISINFECTED` has had its contact time;
    `PACKED` is in a closed pouch; `STERILISING` is in a load that nobody has released yet.
    """

    IN_USE = "in_use"
    SOILED = "soiled"
    WASHED = "washed"
    WASH_RINSED = "wash_rinsed"
    CLEANED = "cleaned"
    DISINFECTING = "disinfecting"
    DISINFECTED = "disinfected"
    RINSED = "rinsed"
    DRIED = "dried"
    PACKED = "packed"
    STERILISING = "sterilising"
    READY = "ready"
    OUT_OF_USE = "out_of_use"


_S = ImplementState

#: States in which the contact time, or the load, stands proven.
CONTACT_MET = frozenset({_S.DISINFECTED, _S.RINSED, _S.DRIED, _S.READY})

# From anywhere an implement can be soiled again, washed again, or taken out of use.
_ALWAYS = frozenset({_S.SOILED, _S.WASHED, _S.OUT_OF_USE})

# What one event may lead to beyond that. An event that ends a contact and does the next step at
# once (rinsed straight from the bath) goes from DISINFECTING past DISINFECTED.
_ONWARD: Mapping[ImplementState, frozenset[ImplementState]] = {
    _S.IN_USE: frozenset({_S.CLEANED}),
    _S.SOILED: frozenset({_S.CLEANED}),
    _S.WASHED: frozenset({_S.WASH_RINSED, _S.CLEANED}),
    _S.WASH_RINSED: frozenset({_S.CLEANED}),
    _S.CLEANED: frozenset({_S.DISINFECTING, _S.WASH_RINSED, _S.PACKED}),
    _S.DISINFECTING: frozenset({_S.DISINFECTED, _S.CLEANED, _S.WASH_RINSED, _S.RINSED, _S.DRIED}),
    _S.DISINFECTED: frozenset({_S.RINSED, _S.DRIED, _S.DISINFECTING, _S.CLEANED}),
    _S.RINSED: frozenset({_S.DRIED, _S.WASH_RINSED, _S.CLEANED}),
    _S.DRIED: frozenset({_S.READY, _S.RINSED, _S.DISINFECTING, _S.CLEANED, _S.PACKED}),
    # Out of its pouch an implement is clean or wet; only a released load leads from it to ready.
    _S.PACKED: frozenset({_S.STERILISING, _S.CLEANED, _S.WASH_RINSED, _S.DISINFECTING}),
    _S.STERILISING: frozenset({_S.READY, _S.PACKED, _S.CLEANED, _S.WASH_RINSED, _S.DISINFECTING}),
    _S.READY: frozenset(
        {_S.IN_USE, _S.RINSED, _S.DISINFECTING, _S.CLEANED, _S.PACKED, _S.WASH_RINSED}
    ),
}

#: Every legal change of state that one event may bring, for the rules and the database's trigger.
MOVES: Mapping[ImplementState, frozenset[ImplementState]] = {
    **{state: (onward | _ALWAYS) - {state} for state, onward in _ONWARD.items()},
    # What was out of use comes back by name, and then counts as soiled.
    _S.OUT_OF_USE: frozenset({_S.SOILED}),
}


def is_legal_move(before: ImplementState, after: ImplementState) -> bool:
    """Whether an implement may change from `before` to `after`; staying is no move."""
    return after in MOVES[before]


class EventKind(StrEnum):
    """What can happen to an implement, or to the bath it lies in.

    `USED` is opened for a visit or used in it: both count as soiled. `ADDED` is anything without
    an own tag put into a running bath, `TOPPED_UP` concentrate or water poured into it. `DRIED` is
    dry by towel or by air. `LOADED` is put into a steriliser's load, `STERILISED` and `LOAD_FAILED`
    are what its reading came to, `RECALLED` is that a later spore test failed. `POUCH_OPENED`:
    opened without being used, torn or wet.
    """

    USED = "used"
    BLOOD_SEEN = "blood_seen"
    PUT_WITH_SOILED = "put_with_soiled"
    PARTS_REMOVED = "parts_removed"
    WASHED = "washed"
    RINSED = "rinsed"
    DRIED = "dried"
    IMMERSED = "immersed"
    ADDED = "added_to_soak"
    TOPPED_UP = "topped_up"
    LIFTED = "lifted"
    WIPED = "wiped"
    WENT_DRY = "went_dry"
    RE_WETTED = "re_wetted"
    STORED = "stored"
    PACKED = "packed"
    LOADED = "loaded"
    STERILISED = "sterilised"
    LOAD_FAILED = "load_failed"
    RECALLED = "recalled"
    POUCH_OPENED = "pouch_opened"
    SHELF_LIFE_OVER = "shelf_life_over"
    TAKEN_OUT_OF_USE = "taken_out_of_use"
    BROUGHT_BACK = "brought_back"


#: What happens to a bath and to all in it, and to no implement by name.
OF_THE_BATH = frozenset({EventKind.ADDED, EventKind.TOPPED_UP})
#: What becomes of a load. An implement that has left it is not touched by these.
ABOUT_LOADS = frozenset(
    {EventKind.STERILISED, EventKind.LOAD_FAILED, EventKind.RECALLED, EventKind.SHELF_LIFE_OVER}
)
_NEEDS_AGENT = frozenset(
    {
        *OF_THE_BATH,
        EventKind.IMMERSED,
        EventKind.LOADED,
        EventKind.STERILISED,
        EventKind.LOAD_FAILED,
        EventKind.RECALLED,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened, at `at` (aware). What is not said counts as not done.

    `agent_id` is the bath, the wipe's product or the load; `keeps_until` (sterilised): the end of
    the pouch's shelf life, None where it keeps until it is opened or damaged; `fully_open` (immersed): wholly under and every
    hinge open; `covered` (stored): in the clean, covered place; `cleaned` (added): washed, rinsed
    and dried before; `visit_id` (used): for whom.
    """

    kind: EventKind
    at: datetime
    implement_id: UUID | None = None
    agent_id: UUID | None = None
    visit_id: UUID | None = None
    fully_open: bool = False
    covered: bool = False
    cleaned: bool = False
    keeps_until: datetime | None = None

    def __post_init__(self) -> None:
        if self.at.tzinfo is None:
            raise ValueError("an instant must be aware")
        object.__setattr__(self, "at", self.at.astimezone(UTC))
        if (self.implement_id is None) != (self.kind in OF_THE_BATH):
            raise ValueError("only an addition to a soak has no implement")
        if self.agent_id is None and self.kind in _NEEDS_AGENT:
            raise ValueError(f"{self.kind} needs the bath or load it happened in")


@dataclass(frozen=True, slots=True, kw_only=True)
class Agent:
    """What disinfects: a mixed bath, or a ready-to-use product for wiping.

    `contact_seconds` comes from `contact_seconds_needed`, None when no label time is on file.
    `ends_at` is the bath's actual end (`use_window.ending`), None for a product without one;
    `as_label` is the pour's verdict; `hospital_type` says the label names it so. `not_for_classes`
    and `not_for_materials` are what the label excludes; `pieces_allowed` is how many implements lie
    wholly under in the container (None: not known); `longest_soak_seconds` is the label's. `is_bath`
    is false for a product as it comes: nothing soaks in that, and nothing is wiped with it where its
    label wants water (`needs_water`).
    """

    id: UUID
    contact_seconds: int | None
    usable_from: datetime
    ends_at: datetime | None = None
    as_label: bool = True
    hospital_type: bool = False
    uses_allowed: int | None = None
    not_for_classes: frozenset[ImplementClass] = frozenset()
    not_for_materials: frozenset[str] = frozenset()
    pieces_allowed: int | None = None
    longest_soak_seconds: int | None = None
    is_bath: bool = True
    needs_water: bool = False

    def excludes(self, kind: ImplementClass, materials: frozenset[str]) -> bool:
        """Whether the label says that it is not for an implement of that class and materials."""
        return kind in self.not_for_classes or not self.not_for_materials.isdisjoint(materials)


def contact_seconds_needed(
    *, label_seconds: int | None, floors_seconds: Iterable[int] = ()
) -> int | None:
    """The contact time that counts: the label's, or a jurisdiction's floor where that is longer.

    None without a label time, whatever the floors: such a product clears nothing. (New York asks
    for both, 19 NYCRR 160.17(c); Oklahoma and Wyoming for the label's time alone.)
    """
    if label_seconds is None or label_seconds <= 0:
        return None
    return max((label_seconds, *floors_seconds))


def floors_from(
    rows: Iterable[Mapping[str, Any]], *, method: str, family: str = ""
) -> tuple[int, ...]:
    """Seconds of each floor that a requirement pack sets for `immersion` or `wipe`.

    A floor may be for one family of products only, such as bleach.
    """
    return tuple(
        int(row["seconds"])
        for row in rows
        if row["method"] == method and row.get("family", family) == family
    )


def contact_ends_at(started_at: datetime, contact_seconds: int) -> datetime:
    """The first instant at which a contact begun at `started_at` is long enough."""
    return started_at + timedelta(seconds=contact_seconds)
