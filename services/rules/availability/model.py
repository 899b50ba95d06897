"""What a search is given and what it answers. Values only."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from services.rules.buffers import Buffer
from services.rules.kits import NO_WAY_BACK, WayBack
from services.rules.phases import LineSpans, Minutes
from spa_ops.kernel.intervals import Period

#: Starts are offered at these minutes of the hour; every zone's offset today is a multiple of 15.
GRID_MINUTES = 5
#: Two practitioners one after the other, and no more: who lies there should not be passed around.
MOST_CREWS = 2
#: With more, the orders to try would be too many: of four lines there are 24.
MOST_IN_ANY_ORDER = 4
Spans = tuple[Period, ...]
NO_BUFFER = Buffer()


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What is taken, widened to whole minutes: bit n is minute n after `origin`, a whole minute."""

    origin: datetime
    bits: int

    def __bool__(self) -> bool:
        return self.bits != 0


Busy = Spans | Taken


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedLine:
    """One service that is asked for; with `practitioner_id` or `room_id` there is no choice of those.

    `is_bound`: the practitioner is not a wish that could be dropped, but the client's standing choice.
    `may_start` is when screening lets it begin, by what is known today; None: at any time.
    `own_minutes`: practitioners who need other minutes for it.
    """

    service_id: UUID
    minutes: Minutes
    room_features: frozenset[str] = frozenset()
    kit_kind: str = ""
    practitioner_id: UUID | None = None
    room_id: UUID | None = None
    is_bound: bool = False
    may_start: Spans | None = None
    own_minutes: Mapping[UUID, Minutes] = field(default_factory=dict)

    def minutes_of(self, who: UUID) -> Minutes:
        """How long it takes with this practitioner."""
        return self.own_minutes.get(who, self.minutes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Practitioner:
    """`covers`: for each service when skill and licence let this person begin it."""

    id: UUID
    covers: Mapping[UUID, Spans]
    on_shift: Spans = ()
    busy: Busy = ()
    buffer: Buffer = NO_BUFFER


@dataclass(frozen=True, slots=True, kw_only=True)
class Attendant:
    """Sets up and turns over for others while on shift and free."""

    id: UUID
    on_shift: Spans = ()
    busy: Busy = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    id: UUID
    features: frozenset[str] = frozenset()
    busy: Busy = ()
    buffer: Buffer = NO_BUFFER


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    id: UUID
    kind: str
    busy: Busy = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked, and everything it is answered from.

    An option starts within `period`, not before `now` and `lead_minutes` more, and before
    `not_from`, where the diary ends; what is taken is known up to `horizon`, by which an option has
    also ended. `any_order` lets the lines change places.
    `shortest_minutes` is the shortest thing that could be sold: a shorter gap is waste.
    """

    period: Period
    now: datetime
    horizon: datetime
    lines: tuple[WantedLine, ...]
    practitioners: tuple[Practitioner, ...]
    rooms: tuple[Room, ...]
    open: Spans
    attendants: tuple[Attendant, ...] = ()
    kits: tuple[Kit, ...] = ()
    client_busy: Busy = ()
    lead_minutes: int = 0
    not_from: datetime | None = None
    #: How a kit comes back after the turnover.
    way_back: WayBack = NO_WAY_BACK
    any_order: bool = False
    #: Pairs of lines by their places: the first may not be before the second, in any order of ours.
    not_before: frozenset[tuple[int, int]] = frozenset()
    shortest_minutes: int = 0
    usual_practitioner_id: UUID | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionLine:
    """One line of an option, as booking would plan it."""

    service_id: UUID
    practitioner_id: UUID
    room_id: UUID
    kit_id: UUID | None
    set_up_by: UUID
    turnover_by: UUID
    spans: LineSpans


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One start that works. `waste_minutes`: gaps left beside it that are too short to sell."""

    lines: tuple[OptionLine, ...]
    waste_minutes: int
    is_usual: bool

    @property
    def starts_at(self) -> datetime:
        return self.lines[0].spans.starts_at

    @property
    def ends_at(self) -> datetime:
        return self.lines[-1].spans.ends_at


class Why(StrEnum):
    """What leaves a day without an option; each is asked of the starts that those before it leave."""

    NO_ONE_WITH_SKILL = "no_one_with_skill"
    #: Others have the skill, and who was asked for has not.
    PRACTITIONER_LACKS_SKILL = "practitioner_lacks_skill"
    #: It would take more than two, or going back to the first.
    TOO_MANY_PRACTITIONERS = "too_many_practitioners"
    #: Somebody has the skill, and the client's standing conditions speak against all of them.
    CONDITION = "condition"
    NO_ROOM_WITH_FEATURE = "no_room_with_feature"
    #: Others have the feature, and the room that was asked for has not.
    ROOM_LACKS_FEATURE = "room_lacks_feature"
    TOO_MANY_ROOMS = "too_many_rooms"
    NO_KIT_OF_KIND = "no_kit_of_kind"
    CLOSED = "closed"
    NOT_IN_PERIOD = "not_in_period"
    SCREENING = "screening"
    #: Who has the skill holds no licence for it that day, or may perform it no more.
    NO_ONE_LICENSED = "no_one_licensed"
    NO_ONE_ON_SHIFT = "no_one_on_shift"
    ROOMS_BUSY = "rooms_busy"
    KITS_AWAY = "kits_away"
    PRACTITIONERS_BUSY = "practitioners_busy"
    CLIENT_BUSY = "client_busy"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayReason:
    """Why the local day `day` (its span) has no option.

    `until`: for screening the first instant from which it lets every line begin in turn; for rooms
    and kits the first from which one is free for as long as the first possible start needs it.
    None: not within the horizon.
    """

    day: Period
    why: Why
    until: datetime | None = None


class Change(StrEnum):
    """One thing that could be different."""

    ROOM_ADDED = "room_added"
    ROOM_FREED = "room_freed"
    KIT_ADDED = "kit_added"
    PRACTITIONER_ADDED = "practitioner_added"
    PRACTITIONER_FREED = "practitioner_freed"
    #: What else the client has at that time is moved.
    CLIENT_FREED = "client_freed"
    #: Whoever can, instead of who was asked for; whichever room.
    ANY_PRACTITIONER = "any_practitioner"
    ANY_ROOM = "any_room"
    #: The lines change places.
    ANY_ORDER = "any_order"
    #: Without one line; it may have a day of its own.
    LINE_DROPPED = "line_dropped"
    LATER_DAY = "later_day"


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """With this one change the earliest option starts at `opens_at`.

    `subject_id`: who or what is freed; the service that is dropped.
    """

    change: Change
    opens_at: datetime
    subject_id: UUID | None = None
    kit_kind: str = ""
