"""Holding an option for a few minutes while the desk talks, and letting it go. No evidence: nothing happened yet."""

import struct
from collections.abc import Sequence
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID

from django.db import connection

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
from services.models import Hold, HoldState, Visit
from services.problems import HeldByAnother, HoldDiffers, HoldOver, TooManyHolds
from services.queries import holds as queries
from services.queries.margins import planned_margins
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action

#: Of one device at a time: enough for a family at the desk, too few to close a day.
MOST_HOLDS = 5
#: Holds that a sweep ends or removes in one go.
SWEPT_AT_ONCE = 500
KEPT_AFTER = timedelta(days=1)
_NOBODY = UUID(int=0)


@action
def hold_time(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    lines: Sequence[LineRequest],
    client_id: UUID | None = None,
) -> Hold:
    """Take an option's time for the minutes of the house's policy; with a client, also theirs.

    Locks as booking does, the holder first. Raises what booking raises, and `TooManyHolds`.
    """
    _lock_holder(actor)
    facts = facts_for(actor, now, location_id, client_id or _NOBODY, lines)
    spans = planned(facts, lines)
    check_when(facts, spans[0].starts_at, now)
    check_plan(facts, lines, spans)
    named = set().union(*map(named_by, lines)) | ({client_id} if client_id else set())
    locked = claims.lock_bookables(named | attendants_for(facts, spans))
    if queries.running_of(actor, now) >= MOST_HOLDS:
        raise TooManyHolds(most=MOST_HOLDS)
    doers = doers_of(facts, lines, spans, now)
    minutes = facts.policy.hold_minutes
    hold = Hold(
        id=uuid7(),
        business_id=actor.business_id,
        location=facts.place,
        person_id=actor.person_id,
        device_id=actor.device_id,
        lines=[_said(r) for r in lines],
        starts_at=spans[0].starts_at,
        ends_at=spans[-1].ends_at,
        held_at=now,
        expires_at=now + timedelta(minutes=minutes),
    )
    plan = Visit(id=hold.id, business_id=actor.business_id)
    rows = [
        new_line(plan, i, request, facts.services[request.service_id], span, who)
        for i, (request, span, who) in enumerate(zip(lines, spans, doers, strict=True))
    ]
    take(
        client_id,
        rows,
        now,
        plan_id=hold.id,
        margins=planned_margins(rows, facts),
        hold_expires_at=hold.expires_at,
        locked=locked,
    )
    insert([hold])
    return hold


def _lock_holder(actor: Actor) -> None:
    # Two at once from one device would each count the other's hold as not there yet.
    name = sha256(f"hold/{actor.business_id}/{actor.principal}".encode()).digest()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", struct.unpack(">q", name[:8]))


def _said(request: LineRequest) -> dict[str, Any]:
    names = ("service_id", "practitioner_id", "room_id", "kit_id")
    found = {name: getattr(request, name) for name in names}
    said = {name: str(value) if value else None for name, value in found.items()}
    return {**said, "shortened": request.shortened}


@action
def release_hold(*, actor: Actor, now: datetime, hold_id: UUID) -> Hold:
    """Let go of an option: by who holds it, or by a lead. Raises `NotFound`, `HoldOver`, `HeldByAnother`."""
    hold = queries.locked_hold(hold_id, actor)
    _check_mine(actor, hold, now, let_go=True)
    claims.release_hold(hold.id)
    _end(hold, HoldState.RELEASED)
    return hold


def take_over(
    *, actor: Actor, now: datetime, hold_id: UUID, lines: Sequence[LineRequest], starts_at: datetime
) -> None:
    """Give a hold's time back for the booking that takes its place, in the booking's transaction.

    The bookables of the hold and of the booking are locked. `lines` are those held or fewer, in
    their order, beginning within the held time; else `HoldDiffers`. Raises `NotFound`, `HoldOver`,
    `HeldByAnother`.
    """
    hold = queries.locked_hold(hold_id, actor)
    _check_mine(actor, hold, now)
    held = iter(hold.lines)
    if not (hold.starts_at <= starts_at < hold.ends_at and all(_said(r) in held for r in lines)):
        raise HoldDiffers
    claims.release_hold(hold.id)
    _end(hold, HoldState.BOOKED)


def _check_mine(actor: Actor, hold: Hold, now: datetime, *, let_go: bool = False) -> None:
    if hold.state != HoldState.HELD or hold.expires_at <= now:
        over = HoldState.EXPIRED if hold.state == HoldState.HELD else hold.state
        raise HoldOver(state=str(over), expires_at=rfc3339(hold.expires_at))
    mine = (hold.device_id or hold.person_id) == actor.principal
    if not mine and not (let_go and actor.role in {Role.LEAD, Role.OWNER}):
        raise HeldByAnother(
            held_by=queries.holders([hold.id])[hold.id], until=rfc3339(hold.expires_at)
        )


def _end(hold: Hold, state: HoldState) -> None:
    hold.state = state
    hold.save(update_fields=["state"])


@action
def sweep_holds(*, actor: Actor, now: datetime) -> int:
    """End holds that have run out, and remove those that did a day ago; gives how many, up to 500 of each.

    They stand in nobody's way before either: this only tidies up.
    """
    over = queries.run_out(now, SWEPT_AT_ONCE)
    for hold in over:
        claims.release_hold(hold.id)
        _end(hold, HoldState.EXPIRED)
    old = queries.long_over(now - KEPT_AFTER, SWEPT_AT_ONCE)
    removed: dict[str, Any] = Hold.objects.filter(id__in=old).delete()[1]
    return len(over) + sum(removed.values())
