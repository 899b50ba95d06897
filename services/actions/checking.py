"""What a plan is checked against before it takes any time. Reads only; whoever calls writes."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from services.actions.plans import Doers, LineRequest
from services.models import Service
from services.problems import (
    ConditionNotMet,
    DoNotBook,
    InThePast,
    KitMissing,
    OffShift,
    OtherPractitionerChosen,
    OutsideOpeningHours,
    RoomLacksFeature,
    SkillMissing,
    TooFarAhead,
    TooSoon,
)
from services.queries import planning, team
from services.queries.planning import PlanFacts
from services.rules.conditions import against, may_be_booked
from services.rules.phases import LinePlan, LineSpans, spans_of
from services.rules.protected import INTIMATE
from spa_ops.claims import queries as claimed
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import NotFound, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.problems import LicenceLapsed
from spa_ops.tenancy.rules import first_closed

MOST_LINES = 20


def facts_for(
    actor: Actor, now: datetime, location_id: UUID, client_id: UUID, lines: Sequence[LineRequest]
) -> PlanFacts:
    """What these lines are checked against; raises `NotFound`, `InvalidInput` for too many or none."""
    if not 1 <= len(lines) <= MOST_LINES:
        raise invalid("/lines", f"must be 1 to {MOST_LINES}")
    facts = planning.plan_facts(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        service_ids={r.service_id for r in lines},
        room_ids={r.room_id for r in lines},
        kit_ids={r.kit_id for r in lines if r.kit_id},
        person_ids={r.practitioner_id for r in lines},
    )
    if any(r.service_id not in facts.services for r in lines):
        raise NotFound
    for i, request in enumerate(lines):
        if request.shortened and not facts.services[request.service_id].shortest_hands_on_minutes:
            raise invalid(f"/lines/{i}/shortened", "is not for this service")
    return facts


def planned(facts: PlanFacts, lines: Sequence[LineRequest]) -> list[LineSpans]:
    """When each part of each line happens, by the price list."""
    return spans_of(
        [
            LinePlan(
                minutes=facts.minutes(r.service_id, r.practitioner_id, shortened=r.shortened),
                practitioner_id=r.practitioner_id,
                room_id=r.room_id,
                starts_at=r.starts_at,
            )
            for r in lines
        ]
    )


def check_hours(facts: PlanFacts, span: LineSpans, person_id: UUID, line: int) -> None:
    """The house is open throughout and the practitioner on shift: `OutsideOpeningHours`, `OffShift`."""
    _check_open(facts, span.service)
    for part in span.attended:
        _check_on_shift(facts, person_id, part, line)


def check_when(
    facts: PlanFacts, starts_at: datetime, now: datetime, *, walk_in: bool = False
) -> None:
    """Not in the past, not sooner and no further ahead than the house's policy has it.

    Raises `InThePast`, `TooSoon`, `TooFarAhead`. Who walks in is there: asked of the horizon alone.
    """
    if not walk_in and starts_at < now:
        raise InThePast
    first, last = facts.bookable_from(now), facts.bookable_until(now)
    if not walk_in and starts_at < first:
        raise TooSoon(first=rfc3339(first))
    if last is not None and starts_at >= last:
        raise TooFarAhead(last=rfc3339(last))


def check_plan(facts: PlanFacts, lines: Sequence[LineRequest], spans: Sequence[LineSpans]) -> None:
    """Everything that neither the claims nor `doers_of` say; raises what `book_visit` names."""
    place = facts.place
    if not may_be_booked(facts.conditions):
        raise DoNotBook
    # From the client's coming to their leaving, as the search for starts asks it.
    _check_open(facts, Period(spans[0].starts_at, spans[-1].ends_at))
    for i, (request, span) in enumerate(zip(lines, spans, strict=True)):
        service = facts.services[request.service_id]
        _check_room_and_kit(facts, request, service, i)
        person, on = request.practitioner_id, local_date(span.starts_at, place.zone)
        chosen = facts.chosen_practitioner
        if service.area in INTIMATE and chosen not in {None, person}:
            raise OtherPractitionerChosen(line=i, chosen_id=str(chosen))
        if condition := against(person, facts.conditions, facts.languages):
            raise ConditionNotMet(line=i, condition=condition.value)
        if not facts.has_skill(person, service.id, span.starts_at):
            raise SkillMissing(line=i)
        if not facts.has_licence(person, on):
            raise LicenceLapsed(jurisdiction=place.jurisdiction, on=str(on))
        for part in span.attended:
            _check_on_shift(facts, person, part, i)


def _check_open(facts: PlanFacts, period: Period) -> None:
    place = facts.place
    closed_at = first_closed(
        place.opening_hours, place.zone, period, facts.policy.closed_on_holidays_of
    )
    if closed_at is not None:
        raise OutsideOpeningHours(at=rfc3339(closed_at))


def _check_on_shift(facts: PlanFacts, person_id: UUID, period: Period, line: int) -> None:
    if not facts.on_shift(person_id, period):
        raise OffShift(line=line, start=rfc3339(period.start), end=rfc3339(period.end))


def _check_room_and_kit(
    facts: PlanFacts, request: LineRequest, service: Service, line: int
) -> None:
    features = facts.rooms.get(request.room_id)
    if features is None:
        raise NotFound
    missing = sorted(facts.room_features(service.id) - features)
    if missing:
        raise RoomLacksFeature(line=line, missing=", ".join(missing))
    kind = facts.kits.get(request.kit_id) if request.kit_id else None
    if (service.kit_kind and kind != service.kit_kind) or (request.kit_id and kind is None):
        raise KitMissing(line=line, kind=service.kit_kind or "of this location")


def check_covered(
    place: Location, person_id: UUID, service: Service, at: datetime, *, line: int = 0
) -> None:
    """The person's skill covers the service, and a licence of this jurisdiction is valid that day.

    Raises `SkillMissing`, `LicenceLapsed`.
    """
    if not team.has_skill(person_id, service.id, at):
        raise SkillMissing(line=line)
    on = local_date(at, place.zone)
    if not tenancy.has_valid_licence(person_id, place.jurisdiction, on):
        raise LicenceLapsed(jurisdiction=place.jurisdiction, on=str(on))


def attendants_for(facts: PlanFacts, spans: Sequence[LineSpans]) -> set[UUID]:
    """The attendants on shift for a set-up or a turnover of the plan, free or not."""
    periods = [p for span in spans for p in (span.set_up, span.turnover) if p is not None]
    return {who for period in periods for who in facts.attendants_on_shift(period)}


def doers_of(
    facts: PlanFacts, lines: Sequence[LineRequest], spans: Sequence[LineSpans], now: datetime
) -> list[Doers]:
    """Who sets up and turns over for each line. Sure only while `attendants_for` the plan are locked.

    Raises `OffShift` for a practitioner whose own part the shifts do not cover.
    """
    doers = []
    for i, (request, span) in enumerate(zip(lines, spans, strict=True)):
        practitioner = request.practitioner_id
        set_up_by = _attendant(facts, span.set_up, now) or practitioner
        turnover_by = _attendant(facts, span.turnover, now) or practitioner
        own = [
            span.set_up if set_up_by == practitioner else None,
            *span.attended,
            span.turnover if turnover_by == practitioner else None,
        ]
        for part in own:
            if part is not None:
                _check_on_shift(facts, practitioner, part, i)
        doers.append(Doers(set_up_by=set_up_by, turnover_by=turnover_by))
    return doers


def check_doers(
    facts: PlanFacts,
    lines: Sequence[LineRequest],
    spans: Sequence[LineSpans],
    doers: Sequence[Doers],
) -> None:
    """Whoever was chosen to set up and turn over is the practitioner or an attendant, on shift for it.

    Whether they are free the claims say. Raises `OffShift`.
    """
    for i, (request, span, who) in enumerate(zip(lines, spans, doers, strict=True)):
        for period, doer in ((span.set_up, who.set_up_by), (span.turnover, who.turnover_by)):
            if period is None or doer in facts.attendants_on_shift(period):
                continue
            if doer != request.practitioner_id:
                raise OffShift(line=i, start=rfc3339(period.start), end=rfc3339(period.end))
            _check_on_shift(facts, doer, period, i)


def _attendant(facts: PlanFacts, period: Period | None, now: datetime) -> UUID | None:
    """An attendant on shift and free for the whole of `period`; the same one each time for one plan."""
    if period is None:
        return None
    on_shift = facts.attendants_on_shift(period)
    if not on_shift:
        return None
    taken = claimed.busy(on_shift, period, now)
    return min((a for a in on_shift if a not in taken), default=None)


def named_by(request: LineRequest) -> set[UUID]:
    """The practitioner, the room and the kit of a request."""
    return {request.practitioner_id, request.room_id} | (
        {request.kit_id} if request.kit_id else set()
    )
