"""The first compliance dashboard: what the evidence entries of a period say, per location."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from compliance.reports.rules import figures
from compliance.reports.rules.figures import Figure, Seen
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import HousePolicy

#: What each figure is read from.
KINDS = {
    "screened_before_start": ["line.screened", "line.overridden", "line.started"],
    "cleared_before_use": ["kit.opened"],
    "soaked_inside_window": [
        "solution.mixed",
        "solution.ended",
        "implement.reprocessed",
        "implement.event_struck",
    ],
    "turnovers_on_time": ["room.turnover_begun"],
}
#: A bath or a verdict that a thing of the first day rests on may be older by this much.
LOOK_BACK = timedelta(days=31)
MOST_NAMED = 100


def seen(chain_id: UUID, kinds: list[str], period: Period | None) -> list[Seen]:
    """Entries of these kinds in the order of the chain, as judging takes them."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT n, kind, occurred_at, facts FROM ledger_entry WHERE chain_id = %s AND kind = ANY(%s) "
            "AND occurred_at >= %s AND occurred_at < %s ORDER BY n",
            [
                chain_id,
                kinds,
                period.start if period else datetime.min.replace(tzinfo=UTC),
                period.end if period else datetime.max.replace(tzinfo=UTC),
            ],
        )
        return [
            Seen(n=n, kind=kind, occurred_at=at, facts=orjson.loads(facts))
            for n, kind, at, facts in cursor.fetchall()
        ]


def figure(place: Location, name: str, first: date, last: date) -> Figure:
    """One figure of a location over local days, both included; raises `NotFound` for another name."""
    if name not in KINDS:
        raise NotFound
    period = _period(place, first, last)
    entries = seen(place.id, KINDS[name], Period(period.start - LOOK_BACK, period.end))
    judged = _judges(place)[name](entries)
    inside = {e.n for e in entries if e.occurred_at >= period.start}
    return Figure(
        name=judged.name,
        says=judged.says,
        basis=judged.basis,
        met=tuple(n for n in judged.met if n in inside),
        not_met=tuple(n for n in judged.not_met if n in inside),
    )


def _judges(place: Location) -> dict[str, Callable[[list[Seen]], Figure]]:
    within = timedelta(minutes=tenancy.policy_of(place).turnover_begins_within_minutes)
    return {
        "screened_before_start": lambda e: figures.screened_before_start(
            e, lambda at: local_date(at, place.zone)
        ),
        "cleared_before_use": figures.cleared_before_use,
        "soaked_inside_window": figures.soaked_inside_window,
        "turnovers_on_time": lambda e: figures.turnovers_on_time(e, within),
    }


def _period(place: Location, first: date, last: date) -> Period:
    return Period(local_day(first, place.zone).start, local_day(last, place.zone).end)


def dashboard(actor: Actor, first: date | None, last: date | None, now: datetime) -> dict[str, Any]:
    """Every location in reach: figures of the period, open flags, licences about to lapse.

    Days are each location's own; by default the last 30 up to today. Each figure says where the
    entries behind it are read.
    """
    places = list(Location.objects.order_by("name", "id"))
    return {
        "caution": CAUTION,
        "locations": [_of_location(p, first, last, now) for p in places if actor.covers(p.id)],
        "licences": [] if actor.location_id else _licences(actor.business_id, now),
    }


def _of_location(
    place: Location, first: date | None, last: date | None, now: datetime
) -> dict[str, Any]:
    today = local_date(now, place.zone)
    last = last or today
    first = first or last - timedelta(days=29)
    found = [figure(place, name, first, last) for name in KINDS]
    flags = figures.open_flags(seen(place.id, ["room.flag_raised", "room.flag_cleared"], None))
    establishment = seen(place.id, ["location.added", "location.changed"], None)
    warning = tenancy.policy_of(place).licence_warning_days
    return {
        "location_id": place.id,
        "name": place.name,
        "from": first,
        "to": last,
        "figures": [_shown(place, f, first, last) for f in found],
        "open_flags": {"count": len(flags), "entries": list(flags[-MOST_NAMED:])},
        "establishment_licence": [
            _lapsing(x) for x in figures.lapsing(establishment, "location_id", today, warning)
        ],
        "evidence": f"/api/v1/evidence/{place.id}/entries",
    }


def _shown(place: Location, found: Figure, first: date, last: date) -> dict[str, Any]:
    return {
        "name": found.name,
        "says": found.says,
        "basis": found.basis,
        "of": found.of,
        "met": len(found.met),
        "basis_points": found.basis_points,
        "not_met_entries": list(found.not_met[:MOST_NAMED]),
        "entries": f"/api/v1/locations/{place.id}/figures/{found.name}/entries?from={first}&to={last}",
    }


def _licences(business_id: UUID, now: datetime) -> list[dict[str, Any]]:
    entries = seen(business_id, ["licence.recorded"], None)
    warning = figures.lapsing(entries, "licence_id", now.date(), HousePolicy().licence_warning_days)
    people = {e.facts["licence_id"]: e.facts["person_id"] for e in entries}
    return [_lapsing(x) | {"person_id": people[x.subject_id]} for x in warning]


def _lapsing(found: figures.Lapsing) -> dict[str, Any]:
    return {
        "entry": found.n,
        "subject_id": found.subject_id,
        "valid_through": found.valid_through,
        "lapsed": found.lapsed,
    }
