"""Booking visits that recur by a rule, all or none, and ending them from one on."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from services.actions.booking import book_visit, cancel_visit
from services.actions.checking import named_by
from services.actions.plans import LineRequest
from services.models import Series, SeriesVisit
from services.queries import planning
from services.queries import recurring as queries
from services.queries.availability import MOST_LINES
from services.rules.recurrence import Occurrence, occurrences
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import Problem, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action, current


@dataclass(frozen=True, slots=True, kw_only=True)
class OccurrenceRequest:
    """The visit for one occurrence of the rule: as it falls, or elsewhere, or at another time."""

    occurs_at: datetime
    lines: Sequence[LineRequest]


@action
def book_series(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineRequest],
    rule: str,
    visits: Sequence[OccurrenceRequest],
    note: str = "",
) -> Series:
    """Book a visit for each occurrence that is named, or none: `visits` as chosen from the preview.

    `lines` are those of the preview. Occurrences that are not named stay out. Raises `InvalidInput`,
    and what `book_visit` raises with `occurs_at` saying for which; locks every bookable of every visit first, in number order.
    """
    place = tenancy.location(location_id, actor)
    _check_chosen(lines, visits, known={o.starts_at for o in spread(lines, rule, place.zone)})
    asked = [request for visit in visits for request in visit.lines]
    # Visit by visit would lock out of order.
    facts = planning.plan_facts(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=client_id,
        service_ids={r.service_id for r in asked},
        room_ids={r.room_id for r in asked},
        kit_ids={r.kit_id for r in asked if r.kit_id},
        person_ids={r.practitioner_id for r in asked},
    )
    claims.lock_bookables({client_id}.union(facts.attendants, *map(named_by, asked)))
    booked = []
    for visit in sorted(visits, key=lambda v: v.occurs_at):
        try:
            made = book_visit(
                actor=actor,
                now=now,
                location_id=location_id,
                client_id=client_id,
                lines=visit.lines,
                note=note,
            )
        except Problem as problem:
            problem.fields["occurs_at"] = rfc3339(visit.occurs_at)
            raise
        booked.append((visit.occurs_at, made))
    series = Series(
        id=uuid7(),
        business_id=actor.business_id,
        location=place,
        client_id=client_id,
        rule=rule,
        starts_at=lines[0].starts_at,
        zone=place.zone,
        created_at=now,
        created_by=actor.person_id,
    )
    links = [
        SeriesVisit(business_id=actor.business_id, series=series, visit=made, occurs_at=at)
        for at, made in booked
    ]
    insert([series])
    insert(links)
    _evidence("series.booked", series, {"visit_ids": [made.id for _, made in booked]})
    return series


def spread(lines: Sequence[LineRequest], rule: str, zone: str) -> list[Occurrence]:
    """The occurrences of a rule that counts from the first line's start. Raises `InvalidInput`."""
    if not 1 <= len(lines) <= MOST_LINES:
        raise invalid("/lines", f"must be 1 to {MOST_LINES}")
    if lines[0].starts_at is None:
        raise invalid("/lines/0/starts_at", "is needed: the rule counts from it")
    return occurrences(rule, lines[0].starts_at, zone)


def _check_chosen(
    lines: Sequence[LineRequest], visits: Sequence[OccurrenceRequest], known: set[datetime]
) -> None:
    if not visits:
        raise invalid("/visits", "must name at least one occurrence")
    named = [visit.occurs_at for visit in visits]
    for n, visit in enumerate(visits):
        if visit.occurs_at not in known:
            raise invalid(f"/visits/{n}/occurs_at", "is no occurrence of the rule")
        if visit.occurs_at in named[:n]:
            raise invalid(f"/visits/{n}/occurs_at", "is named twice")
        if [r.service_id for r in visit.lines] != [r.service_id for r in lines]:
            raise invalid(f"/visits/{n}/lines", "must name the services of /lines in their order")
        if visit.lines[0].starts_at is None:
            raise invalid(f"/visits/{n}/lines/0/starts_at", "is needed")


@action
def end_series(
    *, actor: Actor, now: datetime, series_id: UUID, since: datetime, reason: str = ""
) -> Series:
    """Cancel the series' booked visits that start at `since` or later; those before it stay.

    Who has arrived stays, too. Once more changes nothing but what was moved there meanwhile. Raises
    `NotFound`; `WrongState` when nothing of it is booked from then on.
    """
    series = queries.locked_series(series_id, actor)
    visit_ids = queries.booked_from(series.id, since)
    if not visit_ids:
        raise WrongState(thing="series", state="over by then", needed="a booked visit from then on")
    for visit_id in visit_ids:
        cancel_visit(actor=actor, now=now, visit_id=visit_id, reason=reason)
    series.ended_from = min(since, series.ended_from or since)
    series.save(update_fields=["ended_from"])
    _evidence("series.ended", series, {"from": since, "visit_ids": visit_ids})
    return series


def _evidence(kind: str, series: Series, facts: dict[str, object]) -> None:
    current().evidence(
        kind,
        location_id=series.location_id,
        subject_id=series.id,
        facts={"series_id": series.id, "client_id": series.client_id, **facts},
    )
