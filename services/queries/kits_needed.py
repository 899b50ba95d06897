"""How many kits of each kind a day needs, and what one more or one less would do to its starts. Reads only."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import connection

from clients import queries as client_queries
from clients.models import Client
from clients.rules.patch_tests import of_line
from services.models import Service
from services.queries import planning
from services.queries.availability import Asked, LineAsked, time_behind, way_back_at
from services.queries.availability_candidates import candidates_for
from services.queries.availability_screening import Bounds
from services.queries.price_list import services_with_kits
from services.queries.taken import TakenSoFar
from services.rules.availability.bits import either
from services.rules.availability.masks import Kept, Key, Masks
from services.rules.availability.model import Kit
from services.rules.kits import most_at_once, while_in_use
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.tenancy import queries as tenancy

_DAY = timedelta(days=1)
#: A client of whom nothing is known, and a kit that stands for all of its kind.
_ANYBODY = UUID(int=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Starts:
    """On how many grid starts a service could begin with so many kits; None: the day's visits need more."""

    service_id: UUID
    one_less: int | None
    as_is: int
    one_more: int


@dataclass(frozen=True, slots=True, kw_only=True)
class KitsNeeded:
    """Of one kind: how many there are, and the fewest that the visits of the day could do with."""

    kind: str
    kits: int
    needed: int
    starts: tuple[Starts, ...]


# What is held counts as booked; a kit that is away is in use by nobody's visit.
_IN_USE = """
SELECT k.kind, lower(c.span), upper(c.span), c.phase = 'absence' FROM claims_claim c
JOIN disinfection_kit k ON k.id = c.bookable_id
WHERE c.bookable_id = ANY(%s) AND c.until_minute > %s AND c.from_minute < %s
AND (c.hold_expires_at IS NULL OR c.hold_expires_at > %s)
"""
_KITS = "SELECT id, kind FROM disinfection_kit WHERE location_id = %s"


def kits_needed(*, actor: Actor, now: datetime, location_id: UUID, day: date) -> list[KitsNeeded]:
    """For each kind of kit that is there or that a service asks for, by name. Raises `NotFound`.

    Starts are those left of the local `day`, for a client of whom nothing is known, were the kits
    handed out anew among the day's visits.
    """
    place = tenancy.location(location_id, actor)
    whole = local_day(day, place.zone)
    with connection.cursor() as cursor:
        cursor.execute(_KITS, [location_id])
        kinds = dict(cursor.fetchall())
    services = services_with_kits()
    asked = _asked(actor, now, location_id, services, whole.start)
    behind = max((_behind(asked, service) for service in services), default=timedelta(0))
    known = whole.end + behind
    if asked.way_back.is_planned:
        known = max(known, asked.way_back.of(known).back_at)
    visits, away = _in_use(list(kinds), Period(whole.start - _DAY, known), now)
    start = max(whole.start, now)
    found = []
    for kind in sorted({*kinds.values(), *(service.kit_kind for service in services)}):
        of_kind = [service for service in services if service.kit_kind == kind]
        many = sum(1 for other in kinds.values() if other == kind)
        taken = [*visits[kind], *away[kind]]
        starts = [
            _starts(asked, service, many, taken, Period(start, whole.end), whole)
            for service in (of_kind if start < whole.end else ())
        ]
        needed = most_at_once(_within(visits[kind], whole))
        found.append(KitsNeeded(kind=kind, kits=many, needed=needed, starts=tuple(starts)))
    return found


def _asked(
    actor: Actor, now: datetime, location_id: UUID, services: list[Service], since: datetime
) -> Asked:
    lines = [LineAsked(service_id=service.id) for service in services]
    found = candidates_for(location_id, _ANYBODY, [service.id for service in services], now)
    facts = planning.plan_facts(
        actor=actor,
        now=now,
        location_id=location_id,
        client_id=_ANYBODY,
        service_ids=[service.id for service in services],
        room_ids=found["rooms"],
        kit_ids=(),
        person_ids=found["people"],
    )
    return Asked(
        facts=facts,
        lines=lines,
        client=Client(id=_ANYBODY),
        found=found,
        bounds=Bounds(
            services=(),
            zone=facts.place.zone,
            now=now,
            rules=client_queries.rule_set(),
            declarations=(),
            standings=[of_line([], needed=False)],
        ),
        any_order=False,
        now=now,
        taken=TakenSoFar({*facts.rooms, *found["people"], *facts.attendants}, since - _DAY, now),
        way_back=way_back_at(facts, found, since - _DAY, now),
    )


def _behind(asked: Asked, service: Service) -> timedelta:
    return time_behind(asked.facts, [LineAsked(service_id=service.id)])


def _in_use(
    kits: list[UUID], reach: Period, now: datetime
) -> tuple[dict[str, list[Period]], dict[str, list[Period]]]:
    visits: dict[str, list[Period]] = defaultdict(list)
    away: dict[str, list[Period]] = defaultdict(list)
    minutes = [int(at.timestamp() // 60) for at in (reach.start, reach.end)]
    with connection.cursor() as cursor:
        cursor.execute(_IN_USE, [kits, *minutes, now])
        for kind, start, end, is_away in cursor.fetchall():
            (away if is_away else visits)[kind].append(Period(start, end))
    return visits, away


def _within(spans: Iterable[Period], whole: Period) -> list[Period]:
    return [
        Period(max(s.start, whole.start), min(s.end, whole.end)) for s in spans if s.overlaps(whole)
    ]


def _starts(
    asked: Asked, service: Service, many: int, taken: list[Period], period: Period, whole: Period
) -> Starts:
    one = replace(
        asked,
        lines=[LineAsked(service_id=service.id)],
        bounds=replace(asked.bounds, services=(service,)),
    )
    question = one.question(period, whole.end + _behind(asked, service))
    kept: dict[Key, Kept] = {}

    def with_kits(number: int) -> int:
        # One kit stands for all of the kind: it is taken while no further one is left.
        kit = Kit(id=_ANYBODY, kind=service.kit_kind, busy=while_in_use(taken, max(number, 1)))
        made = replace(question, kits=(kit,) if number > 0 else ())
        groups = Masks(question=made, kept=kept).groups
        return either(group.feasible for group in groups).bit_count()

    return Starts(
        service_id=service.id,
        one_less=with_kits(many - 1) if most_at_once(_within(taken, whole)) < many else None,
        as_is=with_kits(many),
        one_more=with_kits(many + 1),
    )
