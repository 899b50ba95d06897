"""What would become of each occurrence of a rule, before anything is booked. Reads only."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from uuid import UUID

from clients.queries import client_named
from clients.queries_people import check_left
from clients.rules.cases import Declaration
from services.actions.checking import check_plan, check_when, doers_of, facts_for, planned
from services.actions.plans import LineRequest, new_line, wanted_claims, with_baths
from services.actions.recurring import spread
from services.models import Visit
from services.queries.availability import Asked, LineAsked, asked_for
from services.queries.availability_screening import Bounds
from services.queries.margins import planned_margins
from services.queries.own_work import KINDS, as_told
from services.queries.planning import PlanFacts
from services.rules.availability.model import Option, Spans
from services.rules.availability.search import options
from services.rules.phases import LineSpans
from services.rules.recurrence import Occurrence, skipped_months
from spa_ops.claims import queries as claimed
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.kernel.problems import Problem
from spa_ops.tenancy import queries as tenancy

MOST_ALTERNATIVES = 3
#: The days on which others are looked for, the nearest first.
NEARBY = (0, 1, -1, 2, -2, 3, -3)
#: More starts than a day has on the grid of five minutes.
_ALL_DAY = 300
_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Foreseen:
    """One occurrence: `problem` None where booking would take `lines`, else what it would say.

    `verdicts` are of the lines in their order, as far as is known today; `screening_allows` is
    False where what is known has a later date, or none. Then, or with a problem, `alternatives`.
    """

    occurrence: Occurrence
    lines: Sequence[LineRequest]
    problem: Problem | None = None
    verdicts: Sequence[tuple[str, date | None]] = ()
    screening_allows: bool = True
    alternatives: Sequence[Option] = field(default_factory=tuple)


def foreseen_series(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineRequest],
    rule: str,
) -> tuple[list[Foreseen], list[date]]:
    """Every occurrence of the rule as booking would find it now, with up to 3 options nearby; and the
    months that the rule leaves out.

    Each is screened as if those before it that can be booked were. Raises `NotFound`, `Erased`, `MergedAway`, `OtherPractitionerChosen`, `InvalidInput`. Nothing is
    held; how occurrences would be in each other's way is said by booking.
    """
    place = tenancy.location(location_id, actor)
    found = spread(lines, rule, place.zone)
    near = _Nearby(actor, now, location_id, client_id, lines, found[0].starts_at - 4 * _DAY)
    check_left(client_named(client_id))
    bounds = near.as_asked.bounds
    facts = facts_for(actor, now, location_id, client_id, lines)
    plans = [_plan(facts, client_id, at_occurrence(lines, o), now) for o in found]
    taken = claimed.what_is_taken([plan.spans for plan in plans], now)
    seen = []
    for n, (occurrence, plan) in enumerate(zip(found, plans, strict=True)):
        problem = plan.problem or (ClaimClash(clashes=taken[n]) if n in taken else None)
        allows = all(map(_within, bounds.may_start([occurrence.on]), plan.starts))
        one = Foreseen(
            occurrence=occurrence,
            lines=plan.lines,
            problem=problem,
            verdicts=bounds.verdicts(occurrence.on),
            screening_allows=allows,
        )
        if problem is not None or not allows:
            one = replace(one, alternatives=near.options(occurrence, place.zone, bounds))
        else:
            # What is done then bears on the next: two on one area keep their distance.
            bounds = replace(
                bounds, declarations=[*bounds.declarations, *_done(bounds, occurrence)]
            )
        seen.append(one)
    first = lines[0].starts_at
    assert first is not None  # noqa: S101 - `spread` has asked for it
    return seen, skipped_months(rule, first, place.zone)


def _done(bounds: Bounds, occurrence: Occurrence) -> list[tuple[date, Declaration]]:
    on = occurrence.on
    return [
        (on, as_told(service.area, service.method, on))
        for service in bounds.services
        if service.method in KINDS
    ]


def at_occurrence(lines: Sequence[LineRequest], occurrence: Occurrence) -> list[LineRequest]:
    """The lines at that occurrence: as far apart as they were said."""
    first = lines[0].starts_at
    assert first is not None  # noqa: S101 - `spread` has asked for it
    by = occurrence.starts_at - first
    return [replace(r, id=None, starts_at=r.starts_at + by if r.starts_at else None) for r in lines]


def _within(allowed: Spans | None, at: datetime) -> bool:
    return allowed is None or any(span.start <= at < span.end for span in allowed)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    lines: Sequence[LineRequest]
    starts: Sequence[datetime]
    spans: Sequence[tuple[UUID, Period]] = ()
    problem: Problem | None = None


def _plan(facts: PlanFacts, client_id: UUID, lines: Sequence[LineRequest], now: datetime) -> _Plan:
    spans = planned(facts, lines)
    starts = [span.starts_at for span in spans]
    try:
        check_when(facts, starts[0], now)
        check_plan(facts, lines, spans)
        needed = _needed(facts, client_id, lines, spans, now)
    except Problem as problem:
        return _Plan(lines=lines, starts=starts, problem=problem)
    return _Plan(lines=lines, starts=starts, spans=needed)


def _needed(
    facts: PlanFacts,
    client_id: UUID,
    lines: Sequence[LineRequest],
    spans: Sequence[LineSpans],
    now: datetime,
) -> list[tuple[UUID, Period]]:
    visit = Visit(id=uuid7(), business_id=facts.place.business_id)
    rows = [
        new_line(visit, i, request, facts.services[request.service_id], span, who)
        for i, (request, span, who) in enumerate(
            zip(lines, spans, doers_of(facts, lines, spans, now), strict=True)
        )
    ]
    margins = with_baths(planned_margins(rows, facts), rows, now, visit.id)
    return [(w.bookable_id, w.period) for w in wanted_claims(client_id, rows, margins)]


class _Nearby:
    """Other starts around an occurrence: with the same people, and where there are none with any."""

    def __init__(
        self,
        actor: Actor,
        now: datetime,
        location_id: UUID,
        client_id: UUID,
        lines: Sequence[LineRequest],
        since: datetime,
    ) -> None:
        self._lines = lines
        self._asking = {
            "actor": actor,
            "now": now,
            "location_id": location_id,
            "client_id": client_id,
            "since": max(since, now),
        }

    @cached_property
    def as_asked(self) -> Asked:
        return self._asked(same_people=True)

    @cached_property
    def with_anybody(self) -> Asked:
        return self._asked(same_people=False)

    def _asked(self, *, same_people: bool) -> Asked:
        lines = [
            LineAsked(
                service_id=r.service_id, practitioner_id=r.practitioner_id if same_people else None
            )
            for r in self._lines
        ]
        return asked_for(lines=lines, **self._asking)  # type: ignore[arg-type]

    def options(self, occurrence: Occurrence, zone: str, bounds: Bounds) -> list[Option]:
        """Up to 3: the nearest of the day itself, then the nearest of each day around it."""
        for asked in (lambda: self.as_asked, lambda: self.with_anybody):
            if found := list(self._of(replace(asked(), bounds=bounds), occurrence, zone)):
                return sorted(found[:MOST_ALTERNATIVES], key=lambda o: o.starts_at)
        return []

    def _of(self, asked: Asked, occurrence: Occurrence, zone: str) -> Iterator[Option]:
        missing = MOST_ALTERNATIVES
        for days in NEARBY:
            if missing <= 0:
                return
            day = local_day(occurrence.on + timedelta(days=days), zone)
            if day.end <= asked.now:
                continue
            target = occurrence.starts_at + timedelta(days=days)
            found = sorted(
                options(asked.question(day, day.end + _DAY), _ALL_DAY),
                key=lambda o: (abs(o.starts_at - target), o.starts_at),
            )[: missing if days == 0 else 1]
            missing -= len(found)
            yield from found
