"""The compliance dashboard: what the evidence entries of a period say, per location."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from itertools import groupby
from operator import itemgetter
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from compliance.reports.rules import figures
from compliance.reports.rules.figures import Figure, Rule, Seen, Terms, figure_of
from compliance.reports.rules.registry import BY_NAME, RULES
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import HousePolicy

#: A bath, a verdict or a due check that a thing of the first day rests on may be older by this much.
LOOK_BACK = timedelta(days=31)
#: What became of a thing of the last day (a hand-over, a list) may be told so much later.
LOOK_AHEAD = timedelta(days=1)
MOST_NAMED = 100

#: Read whole, whenever it was: what is on file, what is flagged, and the location's licence.
_FLAGS = ("room.flag_raised", "room.flag_cleared")
_ESTABLISHMENT = ("location.added", "location.changed")
_ON_FILE = ("equipment.added", "equipment.retired", "steriliser.added", "steriliser.retired")
_AT_A_TIME = 2_000


def _entries(
    chains: Collection[UUID], kinds: Collection[str], since: datetime | None, until: datetime | None
) -> Iterator[tuple[UUID, Seen]]:
    """Entries of these chains and kinds, chain by chain in its order. One statement.

    It is read through a cursor of the server's: a month of a large business need not fit into memory.
    """
    with connection.chunked_cursor() as cursor:
        cursor.execute(
            "SELECT chain_id, n, kind, occurred_at, facts FROM ledger_entry "
            "WHERE chain_id = ANY(%s) AND kind = ANY(%s) "
            "AND occurred_at >= coalesce(%s, '-infinity'::timestamptz) "
            "AND occurred_at < coalesce(%s, 'infinity'::timestamptz) ORDER BY chain_id, n",
            [list(chains), sorted(kinds), since, until],
        )
        while rows := cursor.fetchmany(_AT_A_TIME):
            for chain_id, n, kind, at, facts in rows:
                yield chain_id, Seen(n=n, kind=kind, occurred_at=at, facts=orjson.loads(facts))


def _by_place(
    places: Sequence[Location], kinds: Collection[str]
) -> dict[UUID, dict[str, list[Seen]]]:
    """Of each location everything of these kinds there ever was, by kind. One statement."""
    found: dict[UUID, dict[str, list[Seen]]] = {p.id: {k: [] for k in kinds} for p in places}
    for chain_id, entry in _entries(list(found), kinds, None, None):
        found[chain_id][entry.kind].append(entry)
    return found


def _first_of(
    places: Sequence[Location], asked: Collection[tuple[str, str]]
) -> dict[tuple[UUID, str, str], datetime]:
    """When each location had its first entry of each kind and, if named, of a `kind` in its facts. One statement."""
    kinds, words = zip(*sorted(asked), strict=True)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.id, k.kind, k.word, e.occurred_at FROM unnest(%s::uuid[]) c(id) "
            "CROSS JOIN unnest(%s::text[], %s::text[]) k(kind, word) "
            "CROSS JOIN LATERAL (SELECT occurred_at FROM ledger_entry "
            "WHERE chain_id = c.id AND kind = k.kind AND (k.word = '' OR facts::jsonb ->> 'kind' = k.word) "
            "ORDER BY occurred_at LIMIT 1) e",
            [[p.id for p in places], list(kinds), list(words)],
        )
        return {(place, kind, word): at for place, kind, word, at in cursor.fetchall()}


def figure(place: Location, name: str, first: date, last: date, now: datetime) -> Figure:
    """One figure of a location over local days, both included; raises `NotFound` for another name."""
    if name not in BY_NAME:
        raise NotFound
    period = _period(place, first, last)
    rule = BY_NAME[name]
    on_file = _by_place([place], ["equipment.added"])[place.id]
    found = _entries([place.id], rule.kinds, period.start - LOOK_BACK, period.end + LOOK_AHEAD)
    entries = [entry for _, entry in found]
    return figure_of(rule, entries, _terms(place, period, now, on_file), period)


def _terms(
    place: Location, period: Period, now: datetime, on_file: Mapping[str, Sequence[Seen]]
) -> Terms:
    return Terms(
        local_day=partial(local_date, zone=place.zone),
        until=min(period.end + LOOK_AHEAD, now),
        turnover_within=timedelta(minutes=tenancy.policy_of(place).turnover_begins_within_minutes),
        pieces={e.facts["equipment_id"]: e.facts["kind"] for e in on_file["equipment.added"]},
    )


def _period(place: Location, first: date, last: date) -> Period:
    return Period(local_day(first, place.zone).start, local_day(last, place.zone).end)


def dashboard(actor: Actor, first: date | None, last: date | None, now: datetime) -> dict[str, Any]:
    """Every location in reach: figures of the period, open flags, licences about to lapse.

    Days are each location's own; by default the last 30 up to today. Each figure says where the
    entries behind it are read. As many statements for many locations as for one.
    """
    places = [p for p in Location.objects.order_by("name", "id") if actor.covers(p.id)]
    return {
        "caution": CAUTION,
        "locations": _of_locations(places, first, last, now) if places else [],
        "licences": [] if actor.location_id else _licences(actor.business_id, now),
    }


def _of_locations(
    places: Sequence[Location], first: date | None, last: date | None, now: datetime
) -> list[dict[str, Any]]:
    days = {place.id: _days(place, first, last, now) for place in places}
    periods = {place.id: _period(place, *days[place.id]) for place in places}
    whole = _by_place(places, (*_FLAGS, *_ESTABLISHMENT, *_ON_FILE))
    began = _first_of(places, {asked for rule in RULES for asked in rule.asked_of})
    found = {place.id: _figures(place, [], periods, whole, now) for place in places}
    entries = _entries(
        list(periods),
        frozenset().union(*(rule.kinds for rule in RULES)),
        min(period.start for period in periods.values()) - LOOK_BACK,
        max(period.end for period in periods.values()) + LOOK_AHEAD,
    )
    by_id = {place.id: place for place in places}
    for place_id, rows in groupby(entries, key=itemgetter(0)):
        mine = [entry for _, entry in rows]
        found[place_id] = _figures(by_id[place_id], mine, periods, whole, now)
    return [
        _shown_location(p, days[p.id], periods[p.id], whole[p.id], began, found[p.id], now)
        for p in places
    ]


def _days(
    place: Location, first: date | None, last: date | None, now: datetime
) -> tuple[date, date]:
    last = last or local_date(now, place.zone)
    return first or last - timedelta(days=29), last


def _figures(
    place: Location,
    entries: Sequence[Seen],
    periods: Mapping[UUID, Period],
    whole: Mapping[UUID, Mapping[str, Sequence[Seen]]],
    now: datetime,
) -> list[Figure]:
    period = periods[place.id]
    terms = _terms(place, period, now, whole[place.id])
    since, until = period.start - LOOK_BACK, period.end + LOOK_AHEAD
    # Read for all locations at once: of each no more than its own days ask for.
    mine = [entry for entry in entries if since <= entry.occurred_at < until]
    return [figure_of(rule, mine, terms, period) for rule in RULES]


def _shown_location(
    place: Location,
    days: tuple[date, date],
    period: Period,
    whole: Mapping[str, Sequence[Seen]],
    began: Mapping[tuple[UUID, str, str], datetime],
    found: Sequence[Figure],
    now: datetime,
) -> dict[str, Any]:
    first, last = days
    flags = figures.open_flags(_in_order(whole, _FLAGS))
    warning = tenancy.policy_of(place).licence_warning_days
    establishment = _in_order(whole, _ESTABLISHMENT)
    lapsing = figures.lapsing(establishment, "location_id", local_date(now, place.zone), warning)
    return {
        "location_id": place.id,
        "name": place.name,
        "from": first,
        "to": last,
        "figures": [
            _shown(place, f, first, last)
            | {"applies": bool(f.of) or _applies(BY_NAME[f.name], place, period, whole, began)}
            for f in found
        ],
        "open_flags": {"count": len(flags), "entries": list(flags[-MOST_NAMED:])},
        "establishment_licence": [_lapsing(x) for x in lapsing],
        "evidence": f"/api/v1/evidence/{place.id}/entries",
    }


def _in_order(whole: Mapping[str, Sequence[Seen]], kinds: Sequence[str]) -> list[Seen]:
    return sorted((entry for kind in kinds for entry in whole[kind]), key=lambda entry: entry.n)


def _applies(
    rule: Rule,
    place: Location,
    period: Period,
    whole: Mapping[str, Sequence[Seen]],
    began: Mapping[tuple[UUID, str, str], datetime],
) -> bool:
    """Whether the location had anything of this sort in the period."""
    for kind, word in rule.asked_of:
        if kind in _ON_FILE:
            pieces = [e for e in whole[kind] if not word or e.facts["kind"] == word]
            name = f"{kind.split('.')[0]}_id"
            retired = whole[kind.replace("added", "retired")]
            gone = {e.facts[name] for e in retired if e.occurred_at < period.start}
            if any(e.occurred_at < period.end and e.facts[name] not in gone for e in pieces):
                return True
        elif (began_at := began.get((place.id, kind, word))) and began_at < period.end:
            return True
    return False


def _shown(place: Location, found: Figure, first: date, last: date) -> dict[str, Any]:
    return {
        "name": found.name,
        "says": found.says,
        "basis": found.basis,
        "of": found.of,
        "met": len(found.met),
        "basis_points": found.basis_points,
        "why": [{"flaw": word, "count": count} for word, count in found.why.items()],
        "not_met_entries": list(found.not_met[:MOST_NAMED]),
        "entries": f"/api/v1/locations/{place.id}/figures/{found.name}/entries?from={first}&to={last}",
    }


def _licences(business_id: UUID, now: datetime) -> list[dict[str, Any]]:
    entries = [entry for _, entry in _entries([business_id], ["licence.recorded"], None, None)]
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
