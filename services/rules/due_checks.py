"""What is due at a location, as one mechanism: raised, louder with age, cleared by itself. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from uuid import UUID

from spa_ops.kernel.escalation import level_at


class DueKind(StrEnum):
    """What can be due."""

    SPORE_TEST = "spore_test"
    PERSON_LICENCE = "person_licence"
    LOCATION_LICENCE = "location_licence"
    BATH_ENDING = "bath_ending"
    KIT_SOILED = "kit_soiled"
    KIT_LATE = "kit_late"
    KIT_NOT_COUNTED = "kit_not_counted"
    PIECE_MISSING = "piece_missing"
    POT_TEMPERATURE = "pot_temperature"
    EQUIPMENT = "equipment"
    OPENING_LIST = "opening_list"
    CLOSING_LIST = "closing_list"
    STOCK = "stock"


class Pace(StrEnum):
    """Whether lateness of a kind is counted in minutes or in days."""

    MINUTES = "minutes"
    DAYS = "days"


class Outcome(StrEnum):
    """How a check ended; open ones have none. `GONE`: no longer asked for, and not done."""

    DONE = "done"
    GONE = "gone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """A location's two thresholds of each pace, after which a late check is louder. House policy."""

    minutes: tuple[int, int]
    days: tuple[int, int]

    def of(self, pace: Pace) -> tuple[timedelta, timedelta]:
        first, second = self.minutes if pace is Pace.MINUTES else self.days
        unit = timedelta(minutes=1) if pace is Pace.MINUTES else timedelta(days=1)
        return first * unit, second * unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One thing that is to be done and is not done yet, due already or coming.

    `subject_id` and `due_at` name it among its kind. It is raised from `warn_at` on (None: from
    `due_at`). `what` is a few words to show, never about a client.
    """

    subject_id: UUID
    due_at: datetime
    warn_at: datetime | None = None
    what: str = ""

    @property
    def key(self) -> tuple[UUID, datetime]:
        return self.subject_id, self.due_at

    @property
    def raise_at(self) -> datetime:
        return self.due_at if self.warn_at is None else min(self.warn_at, self.due_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCheck:
    """A check that is open now, with the level it had reached."""

    subject_id: UUID
    due_at: datetime
    level: int

    @property
    def key(self) -> tuple[UUID, datetime]:
        return self.subject_id, self.due_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How an open check ended: when, as what, and whether that was after it was due."""

    outcome: Outcome
    at: datetime
    late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckChanges:
    """What a sweep has to write; the keys of all three differ."""

    to_raise: Mapping[Standing, int]
    to_escalate: Mapping[OpenCheck, int]
    to_clear: tuple[OpenCheck, ...]


def check_changes(
    standing: Iterable[Standing],
    open_checks: Iterable[OpenCheck],
    *,
    after: tuple[timedelta, timedelta],
    now: datetime,
) -> CheckChanges:
    """What to raise and at which level, what has become louder, and what is no longer to be done.

    Run twice it changes nothing the second time. A level never falls, also when the clock does.
    """
    wanted = {one.key: one for one in standing}
    known = {one.key: one for one in open_checks}
    levels = {key: level_at(key[1], after, now) for key in wanted}
    return CheckChanges(
        to_raise={
            one: levels[key]
            for key, one in wanted.items()
            if key not in known and one.raise_at <= now
        },
        to_escalate={
            one: levels[key]
            for key, one in known.items()
            if key in wanted and levels[key] > one.level
        },
        to_clear=tuple(one for key, one in known.items() if key not in wanted),
    )


def settled(
    check: OpenCheck, done_at: datetime | None, *, is_known: bool, now: datetime
) -> Settled:
    """How a check that is no longer standing ended.

    `is_known`: whether its source says when things were done; a check of which it says nothing is
    gone then. Where no source can say, it counts as done now.
    """
    if done_at is not None or not is_known:
        at = done_at or now
        return Settled(outcome=Outcome.DONE, at=at, late=at > check.due_at)
    return Settled(outcome=Outcome.GONE, at=now, late=now > check.due_at)
