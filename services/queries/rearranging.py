"""What a day's visits could become, read for the solver, and its answer as it is kept and shown."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q

from clients.problems import MergedAway
from compliance.disinfection.models import Kit
from rooms.queries import rooms_of
from services.models import Visit, VisitState
from services.problems import DoNotBook
from services.queries.availability import LineAsked, asked_for
from services.queries.day_plan import VisitPlan, late_now, plans_of, still_taken
from services.rules.availability.bits import MINUTE
from services.rules.availability.masks import Group, Masks
from services.rules.availability.model import Question
from services.rules.kits import WayBack
from services.rules.phases import LineSpans
from services.rules.rearranging.baths import NO_BATH, Bath, fit_together
from services.rules.rearranging.model import Movable, Part, Place, Placed, Proposal, Shape
from services.rules.rearranging.outages import (
    Outages,
    is_away,
    joined,
    minutes_of,
    spans_of,
    with_outages,
)
from services.rules.rearranging.shapes import shapes_of
from services.rules.running_late import lateness
from spa_ops.claims.models import Phase
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.kernel.problems import InvalidInput, NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location, Membership
from spa_ops.tenancy.sealing import Erased

#: How far behind the day what is taken is looked at: its last visit's kit may be away until then.
_BEHIND = timedelta(hours=6)
#: At set times, so many days at most: what comes back later is not proposed.
_MOST_DAYS = 4
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A person, room or kit that is away from `start` until `end`."""

    id: UUID
    start: datetime
    end: datetime


@dataclass(frozen=True, kw_only=True)
class Day:
    """A location's day as the solver gets it: minutes count from `origin`."""

    origin: datetime
    plans: dict[UUID, VisitPlan]
    visits: list[Movable]
    groups: dict[UUID, list[Group | None]] = field(default_factory=dict)
    bath: Bath = NO_BATH


def day_to_rearrange(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    day: date,
    outages: Sequence[Outage],
    most_minutes: int,
) -> Day:
    """The booked visits of a day and all they could become, each up to `most_minutes` from its time.

    Who is here already stays; what runs late holds its people and things that much longer. A few
    statements for each visit. Raises `NotFound`, and `InvalidInput` for an outage of what is not here.
    """
    place = tenancy.location(location_id, actor)
    span = local_day(day, place.zone)
    _check_here(place.id, outages)
    plans = plans_of(place.id, span)
    movable = {
        p.visit.id: p
        for p in plans
        if p.visit.state == VisitState.BOOKED and p.visit.starts_at >= max(now, span.start)
    }  # fmt: skip
    origin, end = span.start - _DAY, span.end + _DAY
    of_the_day = [o for o in outages if o.start < end and o.end > origin]
    away = joined(
        *({o.id: [Period(max(o.start, origin), min(o.end, end))]} for o in of_the_day),
        _held_longer(plans, movable, now),
    )
    found = Day(origin=origin, plans=movable, visits=[])
    questions = []
    for plan in movable.values():
        around = timedelta(minutes=most_minutes)
        starts_at = plan.visit.starts_at
        period = Period(
            max(now, span.start, starts_at - around), min(span.end, starts_at + around + MINUTE)
        )
        question = _question(actor, now, plan, period, span, movable, away)
        ways = _ways(plan, question, origin) if question else []
        questions += [question] if question else []
        as_it_is = _as_it_is(plan, origin, away)
        shapes = [*([as_it_is] if as_it_is else []), *(shape for shape, _ in ways)]
        found.groups[plan.visit.id] = [*([None] if as_it_is else []), *(group for _, group in ways)]
        found.visits.append(
            Movable(
                id=plan.visit.id,
                start=(starts_at - origin) // MINUTE,
                shapes=tuple(shapes),
                left=tuple(
                    (c.bookable_id, *minutes_of(c.period, origin))
                    for c in plan.claims
                    if not is_away(c.bookable_id, c.period, away)
                ),
                soaking=tuple(
                    minutes_of(c.period, origin) for c in plan.claims if c.phase == Phase.SOAK
                ),
            )
        )
    return replace(found, bath=_bath(questions, origin))


def _bath(questions: Sequence[Question], origin: datetime) -> Bath:
    """The bath that the kits of all share, and when each kit is with others."""
    some = [q for q in questions if q.kits and q.way_back.waits]
    if not some:
        return NO_BATH
    way = some[0].way_back
    return Bath(
        capacity=way.capacity if way.contact else 0,
        batches=tuple((at - origin) // MINUTE for at in way.batches(origin))
        if way.set_times
        else None,
        soaking=tuple(minutes_of(span, origin) for span in way.soaking),
        busy=tuple(
            sorted(
                {
                    (kit.id, *span)
                    for q in some
                    for kit in q.kits
                    for span in spans_of(kit.busy, origin)
                }
            )
        ),
        until=min((q.horizon - origin) // MINUTE for q in some),
    )


def _question(
    actor: Actor,
    now: datetime,
    plan: VisitPlan,
    period: Period,
    day: Period,
    movable: Mapping[UUID, VisitPlan],
    away: Outages,
) -> Question | None:
    """What a visit could become with a start in `period`, as a question; None for who would not be booked today."""
    try:
        asked = asked_for(
            actor=actor,
            now=now,
            location_id=plan.visit.location_id,
            client_id=plan.visit.client_id,
            lines=[
                LineAsked(service_id=line.service_id, shortened=line.shortened)
                for line in plan.lines
            ],
            since=day.start,
            without=movable.keys(),
        )
    except (NotFound, Erased, MergedAway, DoNotBook):
        return None
    behind = _BEHIND
    if asked.way_back.waits:
        behind += _longest_wait(asked.way_back, len(movable))
    return with_outages(asked.question(period, day.end + behind), away)


def _longest_wait(way: WayBack, visits: int) -> timedelta:
    """How long the last kit of so many visits may wait for the bath, others left aside."""
    batches = -(-visits // (way.capacity or visits))
    if way.set_times:
        return min(_MOST_DAYS, 1 + batches // len(way.set_times)) * _DAY
    return batches * way.contact * MINUTE


def _ways(plan: VisitPlan, question: Question, origin: datetime) -> list[tuple[Shape, Group]]:
    now_by = [
        (line.practitioner_id, line.room_id, *([line.kit_id] if line.kit_id else []))
        for line in plan.lines
    ]
    return shapes_of(
        Masks(question=question), origin=origin, client_id=plan.visit.client_id, now_by=now_by
    )


def locked_booked(location_id: UUID, day: date) -> dict[UUID, Visit]:
    """The booked visits of a local day, locked by id."""
    zone = Location.objects.values_list("zone", flat=True).get(id=location_id)
    span = local_day(day, zone)
    rows = Visit.objects.select_for_update(of=("self",), no_key=True).filter(
        location_id=location_id,
        state=VisitState.BOOKED,
        starts_at__gte=span.start,
        starts_at__lt=span.end,
    )
    return {visit.id: visit for visit in rows.order_by("id")}


def _check_here(location_id: UUID, outages: Sequence[Outage]) -> None:
    here = {room.id for room in rooms_of(location_id)}
    here |= set(Kit.objects.filter(location_id=location_id).values_list("id", flat=True))
    here |= set(
        Membership.objects.filter(Q(location_id=location_id) | Q(location_id=None)).values_list(
            "person_id", flat=True
        )
    )
    wrong = [
        {"pointer": f"/outages/{n}/id", "code": "unknown", "message": "is nobody and nothing here"}
        for n, outage in enumerate(outages)
        if outage.id not in here
    ]
    if wrong:
        raise InvalidInput(*wrong)


def _held_longer(
    plans: Sequence[VisitPlan], movable: dict[UUID, VisitPlan], now: datetime
) -> Outages:
    """For how long what runs late holds its people and things beyond its plan."""
    taken = {p.visit.id: still_taken(p, now) for p in plans if p.visit.id not in movable}
    late = lateness(taken.values(), {p.visit.id: late_now(p, now) for p in plans if p.visit.id in taken})  # fmt: skip
    return joined(
        *(
            {who: [Period(span.end, span.end + timedelta(minutes=how.minutes))]}
            for visit_id, how in late.items()
            for who, span in taken[visit_id].taken
        )
    )


def _as_it_is(plan: VisitPlan, origin: datetime, away: Outages) -> Shape | None:
    """The visit's own plan, if nothing of it is away: it can stay, whatever a search would offer."""
    if any(is_away(c.bookable_id, c.period, away) for c in plan.claims):
        return None
    start = (plan.visit.starts_at - origin) // MINUTE
    places = []
    for claim in plan.claims:
        first, end = minutes_of(claim.period, origin)
        places.append(
            Place(
                part=Part.CLIENT,
                blocks=((first - start, end - start),),
                able={claim.bookable_id: 1 << start},
            )
        )
    return Shape(starts=1 << start, places=tuple(places), stays=True)


def outcome(day: Day, proposal: Proposal) -> list[dict[str, Any]]:
    """The proposal as it is kept: JSON of every visit that might have moved, by its start."""
    found = []
    for visit in day.visits:
        plan, placed = day.plans[visit.id], proposal.placed[visit.id]
        before = _before(plan)
        after = _after(day, visit, plan, placed) if placed else None
        found.append(
            {
                "visit_id": str(visit.id),
                "version": plan.visit.version,
                "is_left": placed is None,
                "before": before,
                "after": after,
                "soaks": _soaks(day, visit, placed) if placed else {},
            }
        )
    return found


def _soaks(day: Day, visit: Movable, placed: Placed) -> dict[str, str]:
    """When each kit goes into the bath, as far as that was planned anew."""
    group = day.groups[visit.id][placed.shape]
    if group is None:
        return {}
    shape = visit.shapes[placed.shape]
    return {
        str(placed.takers[n]): rfc3339(day.origin + into * MINUTE)
        for (n, _), into in zip(shape.soaks, placed.soaks, strict=True)
    }


def settled(day: Day, proposal: Proposal) -> Proposal:
    """The same, with who would be placed just as they are staying so, where their kits' way back allows it."""
    placed = dict(proposal.placed)
    for visit in day.visits:
        at, plan = placed[visit.id], day.plans[visit.id]
        if (
            at is None
            or not visit.shapes[0].stays
            or visit.shapes[at.shape].stays
            or _after(day, visit, plan, at) != _before(plan)
        ):
            continue
        places = visit.shapes[0].places
        stays = Placed(shape=0, start=visit.start, takers=tuple(next(iter(p.able)) for p in places))
        if fit_together(day.visits, placed | {visit.id: stays}, day.bath):
            placed[visit.id] = stays
    return replace(proposal, placed=placed)


def _before(plan: VisitPlan) -> list[dict[str, Any]]:
    return [
        _said(
            line.id,
            (line.practitioner_id, line.room_id, line.kit_id, line.set_up_by, line.turnover_by),
            line.starts_at,
            line.ends_at,
        )
        for line in plan.lines
    ]


def _after(
    day: Day, visit: Movable, plan: VisitPlan, placed: Placed
) -> list[dict[str, Any]] | None:
    group = day.groups[visit.id][placed.shape]
    if group is None:
        return None
    # In the order in which `shapes_of` lists the places.
    layout, takers = group.layout, placed.takers
    crew = takers[: len(group.crews.slots)]
    rooms = takers[len(crew) : len(crew) + len(group.rooms)]
    kits = dict(zip(group.kits, takers[len(crew) + len(rooms) :], strict=False))
    jobs = dict(zip(layout.jobs, takers[len(takers) - len(layout.jobs) :], strict=True))
    spans: list[LineSpans] = layout.at(day.origin + placed.start * MINUTE)
    found = []
    for n, (line, span) in enumerate(zip(plan.lines, spans, strict=True)):
        practitioner = crew[layout.crew[n]]
        own = [(block, who) for (at, block), who in jobs.items() if at == n]
        comes = layout.services[n][0]
        set_up_by = next((who for block, who in own if block[0] < comes), practitioner)
        turnover_by = next((who for block, who in own if block[0] >= comes), practitioner)
        kit = kits.get(layout.lines[n].kit_kind)
        found.append(
            _said(
                line.id,
                (practitioner, rooms[layout.rooms[n]], kit, set_up_by, turnover_by),
                span.starts_at,
                span.ends_at,
            )
        )
    return found


def _said(
    line_id: UUID, takers: tuple[UUID | None, ...], starts_at: datetime, ends_at: datetime
) -> dict[str, Any]:
    names = ("practitioner_id", "room_id", "kit_id", "set_up_by", "turnover_by")
    by = {name: str(who) if who else None for name, who in zip(names, takers, strict=True)}
    return {
        "line_id": str(line_id),
        **by,
        "starts_at": rfc3339(starts_at),
        "ends_at": rfc3339(ends_at),
    }
