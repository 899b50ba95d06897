"""What the search for starts is asked with, read from the database, and its answer. Reads only.

A few statements for what does not change with the time, then one for what each step's time adds to
the claims: the first day, the six after it, the rest. Most questions are answered by the first.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from clients.models import Client
from clients.queries_people import check_left
from services.models import Duty
from services.problems import ConditionNotMet, DoNotBook, OtherPractitionerChosen
from services.queries import planning
from services.queries.availability_candidates import candidates_for
from services.queries.availability_people import ALWAYS, covers_of, on_shift_of
from services.queries.availability_screening import Bounds, bounds_for
from services.queries.kits_away import with_soaking
from services.queries.planning import PlanFacts
from services.queries.taken import TakenSoFar
from services.rules.availability.masks import Masks
from services.rules.availability.model import (
    MOST_IN_ANY_ORDER,
    Attendant,
    DayReason,
    Kit,
    Option,
    Practitioner,
    Question,
    Room,
    Spans,
    WantedLine,
    WhatIf,
    Why,
)
from services.rules.availability.reasons import day_reasons, what_ifs
from services.rules.availability.search import options
from services.rules.conditions import against, may_be_booked, preferred
from services.rules.kits import WayBack, way_back
from services.rules.protected import INTIMATE
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.kernel.problems import NotFound, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.rules import open_periods
from spa_ops.tenancy.sealing import Erased

MOST_LINES = 6
#: How far ahead is looked at where nobody says, and at most.
HORIZON, MOST_AHEAD = timedelta(days=30), timedelta(days=62)
#: A day, a fortnight, all of it: each step reads a few times what the one before did.
STEPS = (timedelta(days=1), timedelta(days=14))
_DAY, _MINUTE = timedelta(days=1), timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAsked:
    """One service that is asked for, by whom and where if that is not open."""

    service_id: UUID
    practitioner_id: UUID | None = None
    room_id: UUID | None = None
    shortened: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """Options, or why there are none and what would open one; and what is known of screening."""

    options: list[Option]
    reasons: list[tuple[date, DayReason]]
    what_ifs: list[WhatIf]
    bounds: Bounds


def availability(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineAsked],
    since: datetime,
    until: datetime | None = None,
    limit: int = 20,
    any_order: bool = False,
    without: Collection[UUID] = (),
    explain: bool = True,
) -> Availability:
    """The first starts from `since` on that work for these lines, at most `limit`.

    What visits, holds and lines `without` have counts as free; to `explain` costs more than the search.

    Raises `NotFound`, `Erased`, `OtherPractitionerChosen`, `DoNotBook`, `ConditionNotMet`,
    `InvalidInput`. Nothing is held: what is offered may be gone when it is booked.
    """
    _check_asked(lines, since, until, any_order)
    start = max(since, now)
    end = until or start + HORIZON
    if end <= start:
        raise invalid("/to", "must be later than from and now")
    asked = asked_for(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        lines=lines,
        since=start,
        any_order=any_order,
        without=without,
    )
    facts, bounds = asked.facts, asked.bounds
    options_found: list[Option] = []
    for period, horizon in _steps(facts, lines, start, end):
        options_found += options(asked.question(period, horizon), limit - len(options_found))
        if len(options_found) == limit:
            break
    if options_found or not explain:
        return Availability(options=options_found, reasons=[], what_ifs=[], bounds=bounds)
    # Also what lies behind the period asked for: a later day is one of the changes to offer.
    whole = Period(start, end)
    masks = Masks(
        question=asked.question(
            whole, max(end, start + HORIZON) + time_behind(facts, lines), explain=True
        )
    )
    days = list(_days(facts.place.zone, whole))
    reasons = day_reasons(masks, [span for _, span in days])
    return Availability(
        options=[],
        reasons=[(day, _why(asked, r)) for (day, _), r in zip(days, reasons, strict=True)],
        what_ifs=what_ifs(masks),
        bounds=bounds,
    )


def asked_for(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineAsked],
    since: datetime,
    any_order: bool = False,
    without: Collection[UUID] = (),
) -> "Asked":
    """Everything that questions about these lines from `since` on have in common.

    What the visits, holds and lines `without` have taken counts as free. Raises `NotFound`, `Erased`,
    `MergedAway`, `OtherPractitionerChosen`.
    """
    tenancy.location(location_id, actor)
    client = tenancy.loaded(Client, client_id, actor)
    if client.erased_at is not None:
        raise Erased
    check_left(client)
    service_ids = [line.service_id for line in lines]
    named = {i for line in lines for i in (line.practitioner_id, line.room_id) if i}
    found = candidates_for(location_id, client_id, service_ids, now, named)
    facts = planning.plan_facts(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        service_ids={line.service_id for line in lines},
        room_ids=found["rooms"],
        kit_ids=found["kits"],
        person_ids=found["people"],
    )
    _check_named(facts, lines, found)
    found |= _by_conditions(facts, found)
    bounds = bounds_for(
        client_id=client_id,
        services=[facts.services[line.service_id] for line in lines],
        place=facts.place,
        now=now,
        without=without,
    )
    ids = {client.id, *facts.rooms, *facts.kits, *found["people"], *facts.attendants}
    return Asked(
        facts=facts,
        lines=lines,
        client=client,
        found=found,
        bounds=bounds,
        any_order=any_order,
        now=now,
        taken=TakenSoFar(ids, since - _DAY, now, without),
        way_back=way_back_at(facts, found, since - _DAY, now, without),
    )


def way_back_at(
    facts: PlanFacts,
    found: dict[str, Any],
    since: datetime,
    now: datetime,
    without: Collection[UUID] = (),
) -> WayBack:
    """How kits come back, with what is planned for the bath from `since` on."""
    way = way_back(facts.policy, found["contact"] or None, facts.place.zone)
    place = facts.place.id
    return with_soaking(way, location_id=place, since=since, now=now, without=without)


def _check_asked(
    lines: Sequence[LineAsked], since: datetime, until: datetime | None, any_order: bool
) -> None:
    if not 1 <= len(lines) <= MOST_LINES:
        raise invalid("/lines", f"must be 1 to {MOST_LINES}")
    if any_order and len(lines) > MOST_IN_ANY_ORDER:
        raise invalid("/any_order", f"is for up to {MOST_IN_ANY_ORDER} lines")
    if not ALWAYS.start < since < ALWAYS.end - 2 * MOST_AHEAD:
        raise invalid("/from", "must be a time that visits are planned for")
    if until is not None and not since < until <= since + MOST_AHEAD:
        raise invalid("/to", f"must be later than from, by up to {MOST_AHEAD.days} days")


def _check_named(facts: PlanFacts, lines: Sequence[LineAsked], found: dict[str, Any]) -> None:
    if not may_be_booked(facts.conditions):
        raise DoNotBook
    for i, line in enumerate(lines):
        service = facts.services.get(line.service_id)
        if service is None or {line.practitioner_id, line.room_id} - {None, *found["known"]}:
            raise NotFound
        chosen = facts.chosen_practitioner
        if (
            service.area in INTIMATE
            and chosen is not None
            and line.practitioner_id not in {None, chosen}
        ):
            raise OtherPractitionerChosen(line=i, chosen_id=str(chosen))
        person = line.practitioner_id
        if person and (kind := against(person, facts.conditions, facts.languages)):
            raise ConditionNotMet(line=i, condition=kind.value)


def _by_conditions(facts: PlanFacts, found: dict[str, Any]) -> dict[str, Any]:
    known = (facts.conditions, facts.languages)
    people, wanted = [p for p in found["people"] if not against(p, *known)], preferred(*known)
    usual = [wanted] if wanted else found["usual"]
    return {"people": people, "usual": usual, "skilled": found["people"]}


def _why(asked: "Asked", reason: DayReason) -> DayReason:
    # The search knows only who is left and licensed: it may be that, and not the skill.
    if reason.why not in {Why.NO_ONE_WITH_SKILL, Why.PRACTITIONER_LACKS_SKILL}:
        return reason
    skills = asked.facts.skills

    def could(people: Collection[UUID]) -> bool:
        return all(
            any((p, x.service_id) in skills for p in people if x.practitioner_id in {None, p})
            for x in asked.lines
        )

    if could(asked.found["people"]):
        return replace(reason, why=Why.NO_ONE_LICENSED)
    return replace(reason, why=Why.CONDITION) if could(asked.found["skilled"]) else reason


def time_behind(facts: PlanFacts, lines: Sequence[LineAsked]) -> timedelta:
    """How far behind a start what is taken must be known."""
    people = {who for who, _ in facts.own_hands_on}
    length = sum(
        max(facts.minutes(line.service_id, who).longest for who in (None, *people))
        for line in lines
    )
    return timedelta(minutes=length + 60)


def _steps(
    facts: PlanFacts, lines: Sequence[LineAsked], start: datetime, end: datetime
) -> Iterator[tuple[Period, datetime]]:
    """Which starts are asked for one after the other, and up to when what is taken must be known."""
    behind = time_behind(facts, lines)
    since = start
    for until in [*(start + step for step in STEPS if start + step < end), end]:
        yield Period(since, until), until + behind
        since = until


def _days(zone: str, period: Period) -> Iterator[tuple[date, Period]]:
    day = local_date(period.start, zone)
    while (span := local_day(day, zone)).start < period.end:
        yield day, span
        day += _DAY


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What every step's question has in common."""

    facts: PlanFacts
    lines: Sequence[LineAsked]
    client: Client
    found: dict[str, Any]
    bounds: Bounds
    any_order: bool
    now: datetime
    taken: TakenSoFar
    #: How kits come back after the visit, by what is planned for the bath.
    way_back: WayBack

    def question(self, period: Period, horizon: datetime, *, explain: bool = False) -> Question:
        """The starts of `period`; loads what is taken up to `horizon` and not loaded yet.

        To `explain`, it also says what another order of the lines would be held to.
        """
        facts, found = self.facts, self.found
        buffers = {i: facts.room_buffer(i) for i in facts.rooms}
        buffers |= {who: facts.practitioner_buffer(who) for who in found["people"]}
        behind = max((buffer.after for buffer in buffers.values()), default=0)
        horizon += behind * _MINUTE
        kinds = {facts.services[line.service_id].kit_kind for line in self.lines} - {""}
        if kinds and self.way_back.is_planned:
            # Whose turnover ends earlier is back earlier, or at the same time.
            horizon = max(horizon, self.way_back.of(horizon, len(kinds)).back_at)
        reach = Period(period.start - _DAY, horizon)
        days = [day for day, _ in _days(facts.place.zone, reach)]
        self.taken.load(horizon)
        allowed = self.bounds.may_start(days)
        return Question(
            period=period,
            now=self.now,
            lead_minutes=facts.policy.lead_minutes,
            way_back=self.way_back,
            not_from=facts.bookable_until(self.now),
            horizon=horizon,
            lines=tuple(
                _line(facts, line, span) for line, span in zip(self.lines, allowed, strict=True)
            ),
            practitioners=tuple(
                Practitioner(
                    id=who,
                    covers={x.service_id: covers_of(facts, who, x.service_id) for x in self.lines},
                    on_shift=on_shift_of(facts, who, Duty.PRACTITIONER, reach),
                    busy=self.taken.of(who),
                    buffer=buffers[who],
                )
                for who in found["people"]
            ),
            attendants=tuple(
                Attendant(
                    id=who,
                    on_shift=on_shift_of(facts, who, Duty.ATTENDANT, reach),
                    busy=self.taken.of(who),
                )
                for who in facts.attendants
            ),
            rooms=tuple(
                Room(id=i, features=has, busy=self.taken.of(i), buffer=buffers[i])
                for i, has in facts.rooms.items()
            ),
            kits=tuple(Kit(id=i, kind=k, busy=self.taken.of(i)) for i, k in facts.kits.items()),
            open=tuple(
                span
                for day in [days[0] - _DAY, *days]
                for span in open_periods(
                    facts.place.opening_hours,
                    facts.place.zone,
                    day,
                    facts.policy.closed_on_holidays_of,
                )
            ),
            client_busy=self.taken.of(self.client.id),
            any_order=self.any_order,
            not_before=self.bounds.not_before() if self.any_order or explain else frozenset(),
            shortest_minutes=min(
                (own + max(clean_up, facts.least_clean_up) for own, clean_up in found["lengths"]),
                default=0,
            ),
            usual_practitioner_id=next(iter(found["usual"]), None),
        )


def _line(facts: PlanFacts, asked: LineAsked, may_start: Spans | None) -> WantedLine:
    service = facts.services[asked.service_id]
    chosen = facts.chosen_practitioner if service.area in INTIMATE else None
    return WantedLine(
        service_id=service.id,
        minutes=facts.minutes(service.id, shortened=asked.shortened),
        own_minutes={
            who: facts.minutes(service.id, who, shortened=asked.shortened)
            for who, what in facts.own_hands_on
            if what == service.id
        },
        room_features=facts.room_features(service.id),
        kit_kind=service.kit_kind,
        practitioner_id=asked.practitioner_id or chosen,
        room_id=asked.room_id,
        is_bound=chosen is not None,
        may_start=may_start,
    )
