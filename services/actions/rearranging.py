"""Keeping a proposal for a day, and carrying it out once somebody agrees: all of it or nothing."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import Any
from uuid import UUID

from services.actions.booking import bookables_of, settle_anew
from services.actions.checking import check_doers, check_plan, facts_for, planned
from services.actions.plans import Doers, LineRequest
from services.models import Rearrangement, Visit
from services.problems import DayChanged, InThePast
from services.queries import rearranging as queries
from services.queries import visits
from services.rules.rearranging.model import Cost
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action

_TAKERS = ("practitioner_id", "room_id", "kit_id", "set_up_by", "turnover_by")


@action
def keep_proposal(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    day: date,
    outages: Sequence[queries.Outage],
    visits: list[dict[str, Any]],
    cost: Cost,
    is_best: bool,
) -> Rearrangement:
    """Keep what was proposed, so that what is agreed to later is what was shown. Moves nobody."""
    row = Rearrangement(
        business_id=actor.business_id,
        location=tenancy.location(location_id, actor),
        day=day,
        outages=[
            {"id": str(o.id), "from": rfc3339(o.start), "until": rfc3339(o.end)} for o in outages
        ],
        visits=visits,
        cost=asdict(cost),
        is_best=is_best,
        proposed_at=now,
        proposed_by=actor.person_id,
    )
    row.save(force_insert=True)
    return row


@action
def apply_proposal(*, actor: Actor, now: datetime, rearrangement_id: UUID) -> Rearrangement:
    """Move everybody as proposed, in one transaction. Visits left without a place stay as they are.

    Raises `NotFound`; `WrongState` when it was carried out before; `DayChanged` when a booked visit of
    the day has changed, come or gone since; `ClaimClash` and whatever booking raises for a plan that
    does not hold any more. Then nobody is moved.
    """
    row = tenancy.locked(Rearrangement, rearrangement_id, actor)
    if row.applied_at is not None:
        raise WrongState(thing="rearrangement", state="carried out", needed="one that is not")
    moving = {UUID(v["visit_id"]): v["after"] for v in row.visits if v["after"]}
    wanted: set[UUID] = set()
    for visit_id, after in moving.items():
        _, client_id = visits.place_and_client_of(visit_id)
        wanted |= bookables_of(client_id, visits.lines_of(visit_id))
        wanted |= {UUID(line[name]) for line in after for name in _TAKERS if line[name]}
    claims.lock_bookables(wanted)
    booked = queries.locked_booked(row.location_id, row.day)
    _check_same_day(row, booked)
    for visit_id in moving:
        claims.release(visit_id=visit_id)
    soaks = {UUID(v["visit_id"]): v.get("soaks", {}) for v in row.visits}
    for visit_id, after in moving.items():
        into = {UUID(kit): datetime.fromisoformat(at) for kit, at in soaks[visit_id].items()}
        _move(actor, now, booked[visit_id], {UUID(line["line_id"]): line for line in after}, into)
    row.applied_at, row.applied_by = now, actor.person_id
    row.save(update_fields=["applied_at", "applied_by"])
    return row


def _check_same_day(row: Rearrangement, booked: dict[UUID, Visit]) -> None:
    was = {UUID(v["visit_id"]): v["version"] for v in row.visits}
    is_now = {i: v.version for i, v in booked.items() if v.starts_at >= row.proposed_at or i in was}
    if was != is_now:
        changed = {i for i in was.keys() | is_now.keys() if was.get(i) != is_now.get(i)}
        raise DayChanged(visit_ids=sorted(map(str, changed)))


def _move(
    actor: Actor,
    now: datetime,
    visit: Visit,
    after: dict[UUID, dict[str, Any]],
    soaks: dict[UUID, datetime],
) -> None:
    """One visit of a proposal, checked as any booking is; its kits go into the bath as proposed."""
    lines = [line for line in visits.lines_of(visit.id) if line.id in after]
    lines.sort(key=lambda line: after[line.id]["starts_at"])
    requests, doers = [], []
    for n, line in enumerate(lines):
        place = after[line.id]
        requests.append(
            LineRequest(
                service_id=line.service_id,
                practitioner_id=UUID(place["practitioner_id"]),
                room_id=UUID(place["room_id"]),
                kit_id=UUID(place["kit_id"]) if place["kit_id"] else None,
                starts_at=datetime.fromisoformat(place["starts_at"]) if n == 0 else None,
                shortened=line.shortened,
            )
        )
        doers.append(
            Doers(set_up_by=UUID(place["set_up_by"]), turnover_by=UUID(place["turnover_by"]))
        )
    facts = facts_for(actor, now, visit.location_id, visit.client_id, requests)
    spans = planned(facts, requests)
    if spans[0].starts_at < now:
        raise InThePast
    check_plan(facts, requests, spans)
    check_doers(facts, requests, spans, doers)
    settle_anew(
        actor=actor,
        now=now,
        visit=visit,
        lines=lines,
        plan=(requests, spans, doers),
        reason="the day was rearranged",
        soaks=soaks,
    )
