"""What the visits of a day that are not over still take of people and things."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Exists, OuterRef, Q

from services.models import Line, LineState, Visit, VisitState
from services.queries.visits import OPEN
from services.rules.running_late import LineFacts, Planned, late_by_itself
from spa_ops.claims.models import Phase
from spa_ops.kernel.intervals import Period

_DAY = timedelta(days=1)
#: A visit whose plan is not over; who has left holds nothing any more.
ACTIVE = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)

_CLAIMS = """
SELECT c.visit_id, c.bookable_id, c.line_id, c.phase, lower(c.span), upper(c.span)
FROM claims_claim c WHERE c.visit_id = ANY(%s) AND c.hold_expires_at IS NULL ORDER BY lower(c.span)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBy:
    """One claim of a visit."""

    bookable_id: UUID
    line_id: UUID | None
    phase: str
    period: Period


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitPlan:
    """A visit of the day, its lines that were not dropped, in order, and its claims by time."""

    visit: Visit
    lines: Sequence[Line]
    claims: Sequence[TakenBy]


def plans_of(location_id: UUID, day: Period) -> list[VisitPlan]:
    """The visits that are not over and begin in `day`, or the day before and reach into it or are
    still in the room, by their start. Three statements.
    """
    into = Line.objects.filter(visit_id=OuterRef("id"), turnover_ends_at__gt=day.start)
    visits = list(
        Visit.objects.filter(
            Q(starts_at__gte=day.start) | Q(Exists(into)) | Q(state=VisitState.IN_ROOM),
            location_id=location_id,
            state__in=ACTIVE,
            starts_at__gte=day.start - _DAY,
            starts_at__lt=day.end,
        ).order_by("starts_at", "id")
    )
    ids = [visit.id for visit in visits]
    lines: dict[UUID, list[Line]] = defaultdict(list)
    for line in Line.objects.filter(visit_id__in=ids).exclude(state=LineState.DROPPED).order_by("starts_at", "position"):  # fmt: skip
        lines[line.visit_id].append(line)
    claims: dict[UUID, list[TakenBy]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(_CLAIMS, [ids])
        for visit_id, bookable, line_id, phase, start, end in cursor.fetchall():
            taken = TakenBy(
                bookable_id=bookable, line_id=line_id, phase=phase, period=Period(start, end)
            )
            claims[visit_id].append(taken)
    return [VisitPlan(visit=v, lines=lines[v.id], claims=claims[v.id]) for v in visits]


def late_now(plan: VisitPlan, now: datetime) -> int:
    """By how many minutes a visit is behind its plan by itself."""
    facts = [
        LineFacts(
            hands_on_at=line.hands_on_at,
            aftercare_at=line.aftercare_at,
            ends_at=line.ends_at,
            started_at=line.started_at,
            is_over=line.state not in OPEN,
        )
        for line in plan.lines
    ]
    in_room = plan.visit.state == VisitState.IN_ROOM
    return late_by_itself(plan.visit.starts_at, facts, now, is_in_room=in_room)


def still_taken(plan: VisitPlan, now: datetime) -> Planned:
    """What a visit goes on taking: of lines that are over only a turnover, of what was set up nothing.

    What is kept free around it is not taken: it is there to be used when a visit runs late.
    """
    over = {line.id for line in plan.lines if line.state not in OPEN}
    return Planned(
        id=plan.visit.id,
        taken=tuple(
            (c.bookable_id, c.period)
            for c in plan.claims
            if c.phase != Phase.BUFFER
            and not (c.phase == Phase.SET_UP and c.period.end <= now)
            and not (c.line_id in over and c.phase != Phase.TURNOVER)
        ),
    )


def as_json(plan: VisitPlan) -> dict[str, Any]:
    """What the endpoints of a day say of each visit: never who the client is."""
    return {"visit_id": plan.visit.id, "state": plan.visit.state, "starts_at": plan.visit.starts_at}
