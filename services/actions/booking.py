"""Booking, moving and cancelling visits: plans, held by claims. Nothing here touches the room itself."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.actions import link_client
from services.actions.checking import (
    attendants_for,
    check_plan,
    check_when,
    doers_of,
    facts_for,
    named_by,
    planned,
)
from services.actions.holds import take_over
from services.actions.plans import Doers, LineRequest, new_line, span_fields, take_time
from services.models import ForesightDue, Line, LineState, Visit, VisitChange, VisitState
from services.queries import visits as queries
from services.queries.margins import margins_of, planned_margins
from services.rules.phases import LineSpans, notice_minutes
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import NotFound, WrongState, invalid
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action, current


@action
def book_visit(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineRequest],
    note: str = "",
    id: UUID | None = None,
    walk_in: bool = False,
    source_id: str | None = None,
    hold_id: UUID | None = None,
    link_id: UUID | None = None,
) -> Visit:
    """A visit of one or more lines, with every claim it needs, or nothing; in place of a hold, if named.

    Locks the bookables in number order. Raises `ClaimClash` naming what clashes until when,
    `InThePast`, `TooSoon`, `TooFarAhead`, `OutsideOpeningHours`, `OffShift`, `SkillMissing`, `LicenceLapsed`,
    `RoomLacksFeature`, `KitMissing`, `OtherPractitionerChosen`, `DoNotBook`, `ConditionNotMet`, `NotFound`, `Erased`, `MergedAway`; of a hold
    what `take_over` raises. Screening: on the day.
    """
    facts = facts_for(actor, now, location_id, client_id, lines)
    place, services = facts.place, facts.services
    spans = planned(facts, lines)
    check_when(facts, spans[0].starts_at, now, walk_in=walk_in)
    check_plan(facts, lines, spans)
    named = {client_id}.union(*map(named_by, lines))
    if hold_id is not None:
        named |= queries.bookables_held(hold_id)
    # Who may set up is asked under the lock: two plans at once would count on the same attendant.
    locked = claims.lock_bookables(named | attendants_for(facts, spans))
    if hold_id is not None:
        take_over(actor=actor, now=now, hold_id=hold_id, lines=lines, starts_at=spans[0].starts_at)
    doers = doers_of(facts, lines, spans, now)
    visit = Visit(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        client_id=client_id,
        state=VisitState.BOOKED,
        walk_in=walk_in,
        starts_at=spans[0].starts_at,
        booked_at=now,
        booked_by=actor.person_id,
        policy_shown=facts.policy.cancellation_text,
        note=note,
        source_id=source_id,
        link_id=link_id,
    )
    rows = [
        new_line(visit, i, request, services[request.service_id], span, who)
        for i, (request, span, who) in enumerate(zip(lines, spans, doers, strict=True))
    ]
    take_time(visit, rows, now, margins=planned_margins(rows, facts), locked=locked)
    if not facts.client_is_linked:
        link_client(actor=actor, now=now, client_id=client_id, location_id=place.id)
    change = change_of(visit, "booked", now, actor, is_at=visit.starts_at)
    put(visit, along=[*rows, change, foresight_due(visit, now)])
    visit_evidence(
        "visit.booked",
        visit,
        {"starts_at": visit.starts_at, "line_ids": [r.id for r in rows], "walk_in": walk_in},
    )
    return visit


@action
def move_visit(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    lines: Sequence[LineRequest],
    reason: str = "",
    drop_line_ids: Collection[UUID] = (),
    match: int | None = None,
) -> Visit:
    """Give a booked visit other times, people or rooms: every old claim goes before the new are taken.

    `lines` name the visit's lines in order, but for those that are dropped (`service_id` may not
    change: that is add and drop). Raises what `book_visit` raises, and `WrongState` unless it is booked.
    """
    there = queries.place_and_client_of(visit_id)
    facts = facts_for(actor, now, *there, lines)
    more = facts.attendants.union(*map(named_by, lines))
    visit, old = locked_with_lines(actor, visit_id, more, match=match)
    needs_state(visit, VisitState.BOOKED)
    old = _without_dropped(visit, old, drop_line_ids, reason)
    if [r.service_id for r in lines] != [line.service_id for line in old]:
        raise invalid("/lines", "must name the visit's services in their order")
    claims.release(visit_id=visit.id)
    spans = planned(facts, lines)
    check_when(facts, spans[0].starts_at, now)
    check_plan(facts, lines, spans)
    doers = doers_of(facts, lines, spans, now)
    for line, request in zip(old, lines, strict=True):
        line.shortened = request.shortened
    settle_anew(
        now=now, actor=actor, visit=visit, lines=old, plan=(lines, spans, doers), reason=reason
    )
    return visit


def settle_anew(
    *,
    actor: Actor,
    now: datetime,
    visit: Visit,
    lines: Sequence[Line],
    plan: tuple[Sequence[LineRequest], Sequence[LineSpans], Sequence[Doers]],
    reason: str,
    soaks: Mapping[UUID, datetime] | None = None,
) -> None:
    """Write a booked visit's other plan and take its time; what it had is given back already.

    Everything that it takes is locked; `soaks` as `Margins` has it. Raises what `take_time` raises.
    """
    for line, request, span, who in zip(lines, *plan, strict=True):
        line.practitioner_id, line.room_id, line.kit_id = (
            request.practitioner_id,
            request.room_id,
            request.kit_id,
        )
        for name, value in span_fields(span, who).items():
            setattr(line, name, value)
    take_time(visit, lines, now, margins=replace(margins_of(lines, now), soaks=soaks or {}))
    spans = plan[1]
    Line.objects.bulk_update(
        lines, ["practitioner", "room", "kit", "shortened", *span_fields(spans[0], plan[2][0])]
    )
    was_at, visit.starts_at = visit.starts_at, spans[0].starts_at
    put(visit, fields=["starts_at"])
    change = change_of(
        visit, "moved", now, actor, was_at=was_at, is_at=visit.starts_at, reason=reason
    )
    insert([change, foresight_due(visit, now)])
    visit_evidence("visit.moved", visit, {"was_at": was_at, "starts_at": visit.starts_at})


def _without_dropped(
    visit: Visit, lines: Sequence[Line], drop_line_ids: Collection[UUID], reason: str
) -> list[Line]:
    live = [x for x in lines if x.state != LineState.DROPPED]
    if not set(drop_line_ids) <= {x.id for x in live}:
        raise NotFound
    dropped = [x for x in live if x.id in drop_line_ids]
    if dropped and not reason:
        raise invalid("/reason", "is needed where lines are dropped")
    for line in dropped:
        line.state = LineState.DROPPED
        line.save(update_fields=["state"])
        visit_evidence("line.dropped", visit, {"line_id": line.id}, personal={"reason": reason})
    return [x for x in live if x not in dropped]


def foresight_due(visit: Visit, now: datetime) -> ForesightDue:
    """A row that has the sweep look at the client's coming visits; not yet inserted."""
    return ForesightDue(business_id=visit.business_id, client_id=visit.client_id, since=now)


def locked_with_lines(
    actor: Actor, visit_id: UUID, more: set[UUID], *, match: int | None = None
) -> tuple[Visit, list[Line]]:
    """A visit and its lines, after everything whose time they take, and `more`, in number order.

    What a plan may take next must be in `more`: to lock it later would be out of order.
    """
    _, client_id = queries.place_and_client_of(visit_id)
    claims.lock_bookables(bookables_of(client_id, queries.lines_of(visit_id)) | more)
    visit = queries.locked_visit(visit_id, actor, match=match)
    # Read again: until the visit was locked, somebody else may have changed its lines.
    return visit, queries.lines_of(visit_id)


def bookables_of(client_id: UUID, lines: Sequence[Line]) -> set[UUID]:
    """Everything whose time a visit's lines take: what is locked before the visit itself."""
    found = {client_id}
    for line in lines:
        found |= {line.practitioner_id, line.room_id, line.set_up_by, line.turnover_by}
        found |= {line.kit_id} if line.kit_id else set()
    return found


@action
def cancel_visit(
    *, actor: Actor, now: datetime, visit_id: UUID, reason: str = "", match: int | None = None
) -> Visit:
    """Cancel a booked visit and give its time back; the notice given and the policy shown are kept."""
    return _end_plan(actor, now, visit_id, match, VisitState.CANCELLED, "cancelled", reason)


@action
def record_no_show(
    *, actor: Actor, now: datetime, visit_id: UUID, match: int | None = None
) -> Visit:
    """The client did not come. Only once the expected time has passed (`WrongState` before)."""
    return _end_plan(actor, now, visit_id, match, VisitState.NO_SHOW, "no_show", "")


def _end_plan(
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    match: int | None,
    state: VisitState,
    kind: str,
    reason: str,
) -> Visit:
    visit = queries.locked_visit(visit_id, actor, match=match)
    needs_state(
        visit, VisitState.BOOKED, *((VisitState.ARRIVED,) if state is VisitState.CANCELLED else ())
    )
    if state is VisitState.NO_SHOW and now < visit.starts_at:
        raise WrongState(thing="visit", state="not due yet", needed="its time to have come")
    claims.release(visit_id=visit.id)
    visit.state = state
    put(visit, fields=["state"])
    insert([change_of(visit, kind, now, actor, was_at=visit.starts_at, reason=reason)])
    notice = notice_minutes(visit.starts_at, now)
    visit_evidence(f"visit.{kind}", visit, {"starts_at": visit.starts_at, "notice_minutes": notice})
    return visit


def needs_state(visit: Visit, *states: VisitState) -> None:
    if visit.state not in states:
        raise WrongState(thing="visit", state=visit.state, needed=" or ".join(states))


def change_of(
    visit: Visit, kind: str, now: datetime, actor: Actor, *, reason: str = "", **instants: datetime
) -> VisitChange:
    """What happened to the plan of a visit, with notice and policy; not yet inserted."""
    before = instants.get("was_at")
    return VisitChange(
        business_id=visit.business_id,
        visit=visit,
        kind=kind,
        at=now,
        person_id=actor.person_id,
        notice_minutes=notice_minutes(before, now) if before else None,
        reason=reason,
        policy_shown=visit.policy_shown,
        **instants,
    )


def visit_evidence(
    kind: str, visit: Visit, facts: dict[str, Any], personal: dict[str, Any] | None = None
) -> None:
    """One entry about a visit, in its location's chain; words about the client are personal."""
    current().evidence(
        kind,
        location_id=visit.location_id,
        subject_id=visit.id,
        facts={"visit_id": visit.id, "client_id": visit.client_id, **facts},
        personal=personal,
        client_id=visit.client_id if personal is not None else None,
    )
