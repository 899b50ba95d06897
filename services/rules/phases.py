"""When the parts of a visit happen: set-up, consultation, hands-on, aftercare, turnover. Pure.

Lines of one visit that follow each other in one room share one set-up before the first and one
turnover after the last; the consultation is held once with each practitioner.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from uuid import UUID

from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import InvalidInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """How long each part of a service takes, in minutes.

    `unattended`: how long it develops behind the hands-on time while nobody needs to be with the
    client; what develops under somebody's eyes is hands-on time.
    """

    set_up: int
    consultation: int
    hands_on: int
    aftercare: int
    clean_up: int
    unattended: int = 0

    @property
    def longest(self) -> int:
        """All parts together."""
        own = self.set_up + self.consultation + self.hands_on + self.unattended
        return own + self.aftercare + self.clean_up


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """One line as the caller wants it; without `starts_at` it follows the line before."""

    minutes: Minutes
    practitioner_id: UUID
    room_id: UUID
    starts_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSpans:
    """Instants of one line, in order. Equal neighbours mean that this part is not there.

    From `unattended_at`, if it is there, to `aftercare_at` the client is alone in the room.
    """

    set_up_at: datetime
    starts_at: datetime
    hands_on_at: datetime
    aftercare_at: datetime
    ends_at: datetime
    turnover_ends_at: datetime
    unattended_at: datetime | None = None

    @property
    def attended(self) -> tuple[Period, ...]:
        """While the practitioner is with the client."""
        if self.unattended_at is None:
            return (self.service,)
        spans = (self.starts_at, self.unattended_at), (self.aftercare_at, self.ends_at)
        return tuple(Period(start, end) for start, end in spans if start < end)

    @property
    def service(self) -> Period:
        """While the client is there for this line."""
        return Period(self.starts_at, self.ends_at)

    @property
    def set_up(self) -> Period | None:
        return Period(self.set_up_at, self.starts_at) if self.set_up_at < self.starts_at else None

    @property
    def turnover(self) -> Period | None:
        return (
            Period(self.ends_at, self.turnover_ends_at)
            if self.ends_at < self.turnover_ends_at
            else None
        )

    @property
    def whole(self) -> Period:
        return Period(self.set_up_at, self.turnover_ends_at)


def spans_of(plans: Sequence[LinePlan]) -> list[LineSpans]:
    """The spans of a visit's lines, in the order given.

    Raises `InvalidInput` when the first has no start or a line starts before the one before it ends.
    """
    spans: list[LineSpans] = []
    for i, plan in enumerate(plans):
        before = spans[-1] if spans else None
        starts_at = plan.starts_at or (_following(plans[i - 1], before, plan) if before else None)
        if starts_at is None:
            raise _wrong(i, "the first line needs a start")
        if before is not None and starts_at < before.ends_at:
            raise _wrong(i, "starts before the line before it ends")
        consulted = any(p.practitioner_id == plan.practitioner_id for p in plans[:i])
        spans.append(own_spans(plan.minutes, starts_at, consulted=consulted))
    ends = shared_ends([(p.room_id, s, p.minutes) for p, s in zip(plans, spans, strict=True)])
    return [
        replace(span, set_up_at=set_up_at, turnover_ends_at=turnover_ends_at)
        for span, (set_up_at, turnover_ends_at) in zip(spans, ends, strict=True)
    ]


def _following(former: LinePlan, span: LineSpans, plan: LinePlan) -> datetime:
    return following(
        span.ends_at,
        former.minutes,
        plan.minutes,
        same_room=former.room_id == plan.room_id,
        same_practitioner=former.practitioner_id == plan.practitioner_id,
    )


def following(
    ends_at: datetime,
    former: Minutes,
    minutes: Minutes,
    *,
    same_room: bool,
    same_practitioner: bool,
) -> datetime:
    """When a line may begin right after the one before, of which `former` are the minutes.

    Who changes rooms with the client turns one over, then sets up the next.
    """
    if same_room or not same_practitioner:
        return ends_at
    return ends_at + timedelta(minutes=former.clean_up + minutes.set_up)


def _wrong(i: int, message: str) -> InvalidInput:
    return InvalidInput({"pointer": f"/lines/{i}/starts_at", "code": "invalid", "message": message})


def own_spans(minutes: Minutes, starts_at: datetime, *, consulted: bool) -> LineSpans:
    """One line by itself; `consulted` when this practitioner has held the consultation already."""
    hands_on_at = starts_at + timedelta(minutes=0 if consulted else minutes.consultation)
    alone_at = hands_on_at + timedelta(minutes=minutes.hands_on)
    aftercare_at = alone_at + timedelta(minutes=minutes.unattended)
    ends_at = aftercare_at + timedelta(minutes=minutes.aftercare)
    return LineSpans(
        set_up_at=starts_at - timedelta(minutes=minutes.set_up),
        starts_at=starts_at,
        hands_on_at=hands_on_at,
        aftercare_at=aftercare_at,
        ends_at=ends_at,
        turnover_ends_at=ends_at + timedelta(minutes=minutes.clean_up),
        unattended_at=alone_at if minutes.unattended else None,
    )


def shared_ends(
    lines: Sequence[tuple[UUID, LineSpans, Minutes]],
) -> list[tuple[datetime, datetime]]:
    """(set_up_at, turnover_ends_at) of each of a visit's lines, in order of time, by room.

    Neighbours in one room: the longest set-up before the first, the longest clean-up after the last.
    """
    found: list[tuple[datetime, datetime]] = []
    for i, (_, span, _) in enumerate(lines):
        run = room_run([room for room, _, _ in lines], i)
        set_up = max(lines[k][2].set_up for k in run) if i == run[0] else 0
        clean_up = max(lines[k][2].clean_up for k in run) if i == run[-1] else 0
        found.append(
            (span.starts_at - timedelta(minutes=set_up), span.ends_at + timedelta(minutes=clean_up))
        )
    return found


def room_run(rooms: Sequence[UUID], i: int) -> range:
    """The run of neighbouring lines in the same room that line `i` belongs to."""
    first = last = i
    while first > 0 and rooms[first - 1] == rooms[i]:
        first -= 1
    while last + 1 < len(rooms) and rooms[last + 1] == rooms[i]:
        last += 1
    return range(first, last + 1)


def notice_minutes(expected_at: datetime, now: datetime) -> int:
    """How long before the expected arrival something was said; negative once it has passed."""
    return int((expected_at - now).total_seconds()) // 60
