"""Finding, for who waits longest, a time that came free, and keeping it for them. It never books."""

import struct
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from hashlib import sha256
from uuid import UUID

from django.db import connection

from clients.rules.model import PASSING, PatchTest, Verdict
from services.actions.checking import (
    attendants_for,
    check_plan,
    check_when,
    doers_of,
    facts_for,
    named_by,
    planned,
)
from services.actions.plans import LineRequest, new_line, take
from services.models import Visit, WaitingDue, WaitingEntry, WaitingOffer, WaitingState
from services.queries import waiting as queries
from services.queries.availability import MOST_AHEAD, Asked, LineAsked, asked_for
from services.queries.margins import planned_margins
from services.rules.availability.model import Option, Spans
from services.rules.availability.search import options
from services.rules.conditions import may_be_booked
from services.rules.waiting import common, offer_ends, suiting, wishes_of
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import Problem, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import is_open
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action

#: Nobody is called for a time that begins sooner: house policy.
LEAST_NOTICE = timedelta(minutes=10)
#: What no claim tells (shifts, opening hours, screening's dates) is found by looking again.
LOOKED_AT_EVERY = timedelta(minutes=15)
#: Entries of one transaction, and days of one question.
ENTRIES_AT_ONCE = 25
_STEP, _DAY = timedelta(days=7), timedelta(days=1)
#: What screening may say of a line that is offered; ask_first is asked in the room as ever.
_OFFERED = PASSING | {"", Verdict.ASK_FIRST.value}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """How far a list was gone through for what was due then. `missed`: whose time was gone
    when it was to be kept; they are tried once more.
    """

    due: frozenset[UUID]
    after: tuple[datetime, UUID] | None = None
    missed: frozenset[UUID] = frozenset()
    offer_id: UUID | None = None


@action
def look_again_where_due(*, actor: Actor, now: datetime) -> list[UUID]:
    """End entries whose days have passed, and give the locations whose list is to be gone through."""
    for place_id, is_old in queries.places_waited_at(now, LOOKED_AT_EVERY).items():
        place = tenancy.location(place_id, actor)
        queries.over_at(place, now).update(state=WaitingState.LAPSED, settled_at=now)
        # While the house is closed nothing is gone through: one row is enough.
        if is_old and not queries.is_wholly_due(place.id):
            insert([WaitingDue(business_id=actor.business_id, location=place, since=now)])
    return queries.places_due()


@action
def offer_next(
    *, actor: Actor, now: datetime, location_id: UUID, at: Place | None = None
) -> Place | None:
    """Go on through a location's list, to the first for whom a time is free; keep it and offer it.

    Gives where to go on, None when the list is done or the house is closed: nobody is called at
    night. What is offered to one who waits suits nobody before them: where more came free since
    the list was begun, it is begun anew. Any number may do this at once.
    """
    _lock(location_id)
    place = tenancy.location(location_id, actor)
    policy = tenancy.policy_of(place)
    due = queries.due_at(place.id)
    ids = frozenset(d.id for d in due)
    if not due or not is_open(place.opening_hours, place.zone, now, policy.closed_on_holidays_of):
        return None
    if at is None or at.due != ids:
        at = Place(due=ids, missed=at.missed if at else frozenset())
    at = replace(at, offer_id=None)
    window = queries.freed(due)
    entries = queries.waiting_behind(place.id, at.after, ENTRIES_AT_ONCE)
    refused = queries.days_refused([e.id for e in entries], place.zone)
    for entry in entries:
        at = replace(at, after=(entry.created_at, entry.id))
        option = _time_for(actor, now, place, entry, window, refused.get(entry.id, ()))
        if option is None:
            continue
        if queries.due_ids(place.id) != ids:
            return Place(due=frozenset(), missed=at.missed)
        try:
            offer = _keep(actor=actor, now=now, entry=entry, option=option)
        except Problem:
            if entry.id not in at.missed:
                # Somebody was faster: perhaps not with all of it.
                return Place(due=frozenset(), missed=at.missed | {entry.id})
            continue
        return replace(at, offer_id=offer.id)
    if len(entries) == ENTRIES_AT_ONCE:
        return at
    WaitingDue.objects.filter(id__in=ids).delete()
    if window is None:
        waiting = WaitingEntry.objects.filter(location_id=place.id, state=WaitingState.WAITING)
        waiting.update(looked_at=now)
    return None


def _lock(location_id: UUID) -> None:
    name = sha256(f"waiting/{location_id}".encode()).digest()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", struct.unpack(">q", name[:8]))


def _time_for(
    actor: Actor,
    now: datetime,
    place: Location,
    entry: WaitingEntry,
    window: Period | None,
    without: Collection[date],
) -> Option | None:
    """The first start that the entry's client could be offered."""
    start, end = now + LEAST_NOTICE, now + MOST_AHEAD
    if window is not None:
        # A start before what came free may reach into it.
        start, end = max(start, window.start - _DAY), min(end, window.end)
    if start >= end:
        return None
    spans = suiting(wishes_of(vars(entry)), place.zone, Period(start, end), without)
    if not spans:
        return None
    try:
        asked = asked_for(
            actor=actor,
            now=now,
            location_id=place.id,
            client_id=entry.client_id,
            lines=[_asked(line) for line in entry.lines],
            since=spans[0].start,
        )
        return _first(asked, _screened(asked, spans))
    except Problem:
        # Erased, retired, no longer to be had: the entry keeps its place, and its days pass.
        return None


def _asked(line: dict[str, str | None]) -> LineAsked:
    return LineAsked(**{name: UUID(v) if v else None for name, v in line.items()})  # type: ignore[arg-type]


def _screened(asked: Asked, spans: Spans) -> Spans:
    """What of the spans is on days that screening allows by what is known; none for who is not booked."""
    if asked.client.merged_into_id is not None or not may_be_booked(asked.facts.conditions):
        return ()
    if any(s.status in {PatchTest.DUE, PatchTest.POSITIVE} for s in asked.bounds.standings):
        return ()
    zone = asked.facts.place.zone
    days = {local_date(span.start, zone) for span in spans}
    allowed = {
        day for day in days if all(word in _OFFERED for word, _ in asked.bounds.verdicts(day))
    }
    return tuple(span for span in spans if local_date(span.start, zone) in allowed)


def _first(asked: Asked, spans: Spans) -> Option | None:
    while spans:
        start = spans[0].start
        until = start + _STEP
        own = common(spans, (Period(start, until),))
        question = asked.question(Period(start, own[-1].end), own[-1].end + _DAY)
        first, *rest = question.lines
        allowed = own if first.may_start is None else common(first.may_start, own)
        if allowed:
            lines = (replace(first, may_start=allowed), *rest)
            for option in options(replace(question, lines=lines), 1):
                return option
        spans = common(spans, (Period(until, max(until + _DAY, spans[-1].end)),))
    return None


@action
def _keep(*, actor: Actor, now: datetime, entry: WaitingEntry, option: Option) -> WaitingOffer:
    """Take the option's time for the entry's client until the offer ends. Locks as booking does.

    Raises what booking raises, `WrongState` for an entry that waits no longer.
    """
    lines = [
        LineRequest(
            service_id=line.service_id,
            practitioner_id=line.practitioner_id,
            room_id=line.room_id,
            kit_id=line.kit_id,
            starts_at=line.spans.starts_at,
        )
        for line in option.lines
    ]
    facts = facts_for(actor, now, entry.location_id, entry.client_id, lines)
    spans = planned(facts, lines)
    check_when(facts, spans[0].starts_at, now)
    check_plan(facts, lines, spans)
    named = {entry.client_id}.union(*map(named_by, lines))
    locked = claims.lock_bookables(named | attendants_for(facts, spans))
    entry = queries.locked_entry(entry.id, actor)
    if entry.state != WaitingState.WAITING:
        raise WrongState(thing="entry", state=entry.state, needed="waiting")
    doers = doers_of(facts, lines, spans, now)
    starts_at = spans[0].starts_at
    offer = WaitingOffer(
        id=uuid7(),
        business_id=actor.business_id,
        entry=entry,
        location=facts.place,
        lines=[_offered(line) for line in lines],
        starts_at=starts_at,
        ends_at=spans[-1].ends_at,
        offered_at=now,
        expires_at=offer_ends(now, facts.policy.offer_minutes, starts_at),
        message_due_at=now,
    )
    plan = Visit(id=offer.id, business_id=actor.business_id)
    rows = [
        new_line(plan, i, request, facts.services[request.service_id], span, who)
        for i, (request, span, who) in enumerate(zip(lines, spans, doers, strict=True))
    ]
    take(
        entry.client_id,
        rows,
        now,
        plan_id=offer.id,
        margins=planned_margins(rows, facts),
        hold_expires_at=offer.expires_at,
        locked=locked,
    )
    insert([offer])
    entry.state = WaitingState.OFFERED
    entry.save(update_fields=["state"])
    return offer


def _offered(line: LineRequest) -> dict[str, str | None]:
    ids = {
        name: str(v) if (v := getattr(line, name)) else None
        for name in ("service_id", "practitioner_id", "room_id", "kit_id")
    }
    return ids | {"starts_at": rfc3339(line.starts_at) if line.starts_at else None}
