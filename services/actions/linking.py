"""Visits that belong together, such as a couple's or a parent's and a child's: booked, moved and
cancelled in one, all or none. Each stays a visit of its own, and can be moved or cancelled alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from uuid import UUID

from services.actions.booking import (
    book_visit,
    bookables_of,
    cancel_visit,
    move_visit,
    needs_state,
)
from services.actions.checking import attendants_for, facts_for, named_by, planned
from services.actions.plans import LineRequest
from services.models import Visit, VisitState
from services.queries import visits as queries
from services.queries.planning import PlanFacts
from services.rules.phases import LineSpans
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action, current

#: A family; more are a group, which this does not plan.
FEWEST, MOST = 2, 4


class Arrangement(StrEnum):
    """`together`: all begin at the same time. `in_turn`: each begins when the one before has ended."""

    TOGETHER = "together"
    IN_TURN = "in_turn"


@dataclass(frozen=True, slots=True, kw_only=True)
class Linked:
    """One of the visits: a client's lines. The first visit says when; the others may, or follow."""

    client_id: UUID
    lines: Sequence[LineRequest]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Link:
    """What holds visits together."""

    id: UUID


@action
def book_linked(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    arrangement: Arrangement,
    visits: Sequence[Linked],
) -> Link:
    """Two to four visits of different clients, all or none; locks every bookable of all first.

    Raises what `book_visit` raises of any of them, `InvalidInput` where they are not arranged so.
    """
    tenancy.location(location_id, actor)
    if not FEWEST <= len(visits) <= MOST:
        raise invalid("/visits", f"must be {FEWEST} to {MOST}")
    if len({v.client_id for v in visits}) != len(visits):
        raise invalid("/visits", "must be of different clients")
    _check_lines([v.lines for v in visits])
    facts = [facts_for(actor, now, location_id, v.client_id, v.lines) for v in visits]
    lines, spans = _arranged(facts, [v.lines for v in visits], arrangement)
    claims.lock_bookables(
        {v.client_id for v in visits} | _wanted(facts, lines, spans)
    )  # fmt: skip
    link = Link(uuid7())
    booked = [
        book_visit(
            actor=actor,
            now=now,
            location_id=location_id,
            client_id=visit.client_id,
            lines=asked,
            note=visit.note,
            link_id=link.id,
        )
        for visit, asked in zip(visits, lines, strict=True)
    ]
    current().evidence(
        "visits.linked",
        location_id=location_id,
        subject_id=link.id,
        facts={"link_id": link.id, "visit_ids": [v.id for v in booked]},
    )
    return link


@action
def move_linked(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    arrangement: Arrangement,
    visits: Sequence[tuple[UUID, Sequence[LineRequest]]],
    reason: str = "",
) -> Link:
    """Move a visit and all that are booked together with it, all or none; what any had is free for the others.

    Raises `NotFound`, `InvalidInput` unless each booked visit of the link is named once,
    `WrongState` for a visit of no link, and what `move_visit` raises of any of them.
    """
    known = queries.linked_with(visit_id, actor)
    link_id = known[0].link_id
    if link_id is None:
        raise WrongState(thing="visit", state="booked alone", needed="visits booked together")
    booked = {v.id: v for v in known if v.state == VisitState.BOOKED}
    if not booked:
        raise WrongState(thing="link", state="without a booked visit", needed="one")
    ids = [visit_id for visit_id, _ in visits]
    if len(ids) != len(set(ids)) or set(ids) != booked.keys():
        raise invalid("/visits", "must name each booked visit of the link once")
    asked = [lines for _, lines in visits]
    _check_lines(asked)
    facts = [
        facts_for(actor, now, booked[i].location_id, booked[i].client_id, lines)
        for i, lines in visits
    ]
    lines, spans = _arranged(facts, asked, arrangement)
    had = [bookables_of(booked[i].client_id, queries.lines_of(i)) for i in ids]
    claims.lock_bookables(_wanted(facts, lines, spans).union(*had))
    for each in sorted(ids):
        needs_state(queries.locked_visit(each, actor), VisitState.BOOKED)
    for each in ids:
        claims.release(visit_id=each)
    for each, one in zip(ids, lines, strict=True):
        move_visit(actor=actor, now=now, visit_id=each, lines=one, reason=reason)
    return Link(link_id)


@action
def cancel_linked(
    *, actor: Actor, now: datetime, visit_id: UUID, reason: str = "", match: int | None = None
) -> Visit:
    """Cancel a visit and those linked with it that have not begun.

    Raises `NotFound`, `StaleVersion` (of the one that is named), `WrongState`.
    """
    known = queries.linked_with(visit_id, actor)
    # In one order: two who cancel from both ends wait for each other instead of in a circle.
    locked = [
        queries.locked_visit(i, actor, match=match if i == visit_id else None)
        for i in sorted(v.id for v in known)
    ]
    for other in locked:
        if other.id != visit_id and other.state in {VisitState.BOOKED, VisitState.ARRIVED}:
            cancel_visit(actor=actor, now=now, visit_id=other.id, reason=reason)
    return cancel_visit(actor=actor, now=now, visit_id=visit_id, reason=reason)


def _check_lines(visits: Sequence[Sequence[LineRequest]]) -> None:
    for i, lines in enumerate(visits):
        if not lines:
            raise invalid(f"/visits/{i}/lines", "must not be empty")
    if visits[0][0].starts_at is None:
        raise invalid("/visits/0/lines/0/starts_at", "is needed: the others follow it")


def _arranged(
    facts: Sequence[PlanFacts], visits: Sequence[Sequence[LineRequest]], arrangement: Arrangement
) -> tuple[list[list[LineRequest]], list[list[LineSpans]]]:
    """Each visit's lines with a start, and their spans; raises `InvalidInput` where a start does not fit."""
    found: list[list[LineRequest]] = []
    spans: list[list[LineSpans]] = []
    for i, (known, asked) in enumerate(zip(facts, visits, strict=True)):
        lines = list(asked)
        if i and lines[0].starts_at is None:
            start = (
                spans[0][0].starts_at
                if arrangement is Arrangement.TOGETHER
                else _after(facts[i - 1], found[-1], spans[-1], known, lines)
            )
            lines[0] = replace(lines[0], starts_at=start)
        found.append(lines)
        spans.append(planned(known, lines))
        if i and arrangement is Arrangement.TOGETHER:
            fits = spans[i][0].starts_at == spans[0][0].starts_at
        else:
            fits = not i or spans[i][0].starts_at >= spans[i - 1][-1].ends_at
        if not fits:
            raise invalid(f"/visits/{i}/lines/0/starts_at", f"is not {arrangement.value}")
    return found, spans


def _after(
    known: PlanFacts,
    former: Sequence[LineRequest],
    spans: Sequence[LineSpans],
    facts: PlanFacts,
    lines: Sequence[LineRequest],
) -> datetime:
    # The same room or the same pair of hands is turned over and set up for the next client first.
    last, first = former[-1], lines[0]
    if last.room_id != first.room_id and last.practitioner_id != first.practitioner_id:
        return spans[-1].ends_at
    minutes = known.minutes(last.service_id).clean_up + facts.minutes(first.service_id).set_up
    shared = (
        [known.practitioner_buffer(last.practitioner_id)]
        if last.practitioner_id == first.practitioner_id
        else []
    )
    shared += [known.room_buffer(last.room_id)] if last.room_id == first.room_id else []
    # What the one keeps free behind and the other before the visit is not the same time.
    minutes += max(buffer.after + buffer.before for buffer in shared)
    return spans[-1].ends_at + timedelta(minutes=minutes)


def _wanted(
    facts: Sequence[PlanFacts],
    lines: Sequence[Sequence[LineRequest]],
    spans: Sequence[Sequence[LineSpans]],
) -> set[UUID]:
    found: set[UUID] = set()
    for known, asked, span in zip(facts, lines, spans, strict=True):
        found |= attendants_for(known, span) | known.attendants
        found = found.union(*map(named_by, asked))
    return found
