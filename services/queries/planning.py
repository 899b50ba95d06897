"""What a plan is checked against, read in one statement and so at one moment. Reads only."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from rooms.queries import shortest_turnover_minutes
from services.models import Duty, Service
from services.queries.kits_away import CONTACT_SECONDS
from services.queries.turnover_time import WET_SECONDS
from services.rules.attendance import may_be_unattended
from services.rules.buffers import Buffer, of_practitioner, of_room
from services.rules.conditions import Condition, ConditionKind, lengthened, needed_features
from services.rules.phases import Minutes
from services.rules.shifts import OneDay, Weekly, Worked, covers, walls_of
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import HousePolicy, house_policy, licence_is_valid
from spa_ops.unit.rows import from_json


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFacts:
    """A location with the services, rooms, kits and people that a plan there names.

    What is not there, of another location or no longer on the price list is simply absent.
    """

    place: Location
    #: The house policy of the location.
    policy: HousePolicy
    services: dict[UUID, Service]
    #: Room -> its features.
    rooms: dict[UUID, frozenset[str]]
    #: Room or person -> minutes kept free before and after each visit, where it has its own.
    own_buffers: dict[UUID, tuple[int | None, int | None]]
    #: Kit -> its kind.
    kits: dict[UUID, str]
    #: (person, service) -> when the skill was ended, if it was.
    skills: dict[tuple[UUID, UUID], datetime | None]
    #: (person, service) -> that person's own hands-on minutes.
    own_hands_on: dict[tuple[UUID, UUID], int]
    #: (person, valid from, valid through) of the licences of the location's jurisdiction.
    licences: tuple[tuple[UUID, date | None, date], ...]
    #: (person, duty) -> shifts of the people named and of all attendants, days worked otherwise too.
    shifts: Mapping[tuple[UUID, Duty], Sequence[Worked]]
    #: Person -> when their last role at the location ends or ended; not in it: no end is known.
    roles_end: dict[UUID, datetime]
    #: Whether the client is in the location's feed already.
    client_is_linked: bool
    #: What binds plans for the client, on whichever of their records it was set.
    conditions: tuple[Condition, ...]
    #: Person -> the languages they speak.
    languages: dict[UUID, frozenset[str]]
    #: Whether the client, under any name they had before, has never been treated here.
    client_is_new: bool
    #: Whom the client chose for intimate services, if they did.
    chosen_practitioner: UUID | None
    #: Minutes that no turnover is shorter than.
    least_clean_up: int
    #: The longest contact time of a bath in use; None: none is known, or no kit is planned for.
    contact_seconds: int | None

    def minutes(
        self, service_id: UUID, person_id: UUID | None = None, *, shortened: bool = False
    ) -> Minutes:
        """How long the service takes for this client, with that practitioner if one is named.

        `shortened`: with the service's shortest hands-on time, where it has one.
        """
        own = self.own_hands_on.get((person_id, service_id)) if person_id else None
        service = self.services[service_id]
        if shortened and service.shortest_hands_on_minutes:
            own = min(own or service.hands_on_minutes, service.shortest_hands_on_minutes)
        needed = minutes_of(
            service,
            least_clean_up=self.least_clean_up,
            new_client=self.client_is_new,
            hands_on=own,
        )
        return lengthened(needed, self.conditions)

    def room_buffer(self, room_id: UUID) -> Buffer:
        """What is kept free around each visit in a room."""
        return of_room(self.policy, *self.own_buffers.get(room_id, (None, None)))

    def practitioner_buffer(self, person_id: UUID) -> Buffer:
        """What is kept free around each visit of a practitioner."""
        return of_practitioner(self.policy, *self.own_buffers.get(person_id, (None, None)))

    def bookable_from(self, now: datetime) -> datetime:
        """The first start that the lead time leaves."""
        return now + timedelta(minutes=self.policy.lead_minutes)

    def bookable_until(self, now: datetime) -> datetime | None:
        """The first start for which the diary is not open yet; None: it is open for all times."""
        days = self.policy.horizon_days
        return now + timedelta(days=days) if days else None

    def has_skill(self, person_id: UUID, service_id: UUID, at: datetime) -> bool:
        """Whether the person may perform the service at that moment."""
        key = (person_id, service_id)
        ended_at = self.skills.get(key)
        return key in self.skills and (ended_at is None or ended_at > at)

    def has_licence(self, person_id: UUID, on: date) -> bool:
        """Whether the person holds a licence of the jurisdiction valid on that local day."""
        return any(
            who == person_id and licence_is_valid(valid_from, valid_through, on)
            for who, valid_from, valid_through in self.licences
        )

    def on_shift(self, person_id: UUID, period: Period, duty: Duty = Duty.PRACTITIONER) -> bool:
        """Whether the person's shifts of that duty cover all of `period`, their role still running."""
        role_ends = self.roles_end.get(person_id)
        if role_ends is not None and role_ends < period.end:
            return False
        return covers(self.shifts.get((person_id, duty), ()), period)

    def attendants_on_shift(self, period: Period) -> list[UUID]:
        """The attendants whose shifts cover all of `period`, always in the same order."""
        known = sorted(self.attendants)
        return [who for who in known if self.on_shift(who, period, Duty.ATTENDANT)]

    def room_features(self, service_id: UUID) -> frozenset[str]:
        """What a room must have for a service and this client."""
        return needed_features(self.services[service_id].room_features, self.conditions)

    @property
    def attendants(self) -> set[UUID]:
        """Everybody who has ever been on shift there to set up and turn over."""
        return {who for who, duty in self.shifts if duty is Duty.ATTENDANT}


# `person`: the client under every record that was merged into theirs, their own first.
_FACTS = f"""
WITH RECURSIVE person(id, steps) AS (
    SELECT %(client)s::uuid, 0
    UNION ALL
    SELECT c.id, p.steps + 1 FROM person p
    JOIN clients_client c ON c.merged_into_id = p.id AND c.merged_into_id IS NOT NULL
)
SELECT to_jsonb(l), jsonb_build_object(
    'services', (SELECT jsonb_agg(to_jsonb(s)) FROM services_service s
                 WHERE s.id = ANY(%(services)s) AND s.active),
    'rooms', (SELECT jsonb_agg(jsonb_build_array(
                  r.id, r.features, r.buffer_before_minutes, r.buffer_after_minutes)) FROM rooms_room r
              WHERE r.id = ANY(%(rooms)s) AND r.location_id = l.id),
    'kits', (SELECT jsonb_agg(jsonb_build_array(k.id, k.kind)) FROM disinfection_kit k
             WHERE k.id = ANY(%(kits)s) AND k.location_id = l.id),
    'skills', (SELECT jsonb_agg(jsonb_build_array(k.person_id, k.service_id, k.ended_at,
                                                  k.hands_on_minutes))
               FROM services_skill k
               WHERE k.person_id = ANY(%(people)s) AND k.service_id = ANY(%(services)s)),
    'licences', (SELECT jsonb_agg(jsonb_build_array(i.person_id, i.valid_from, i.valid_through))
                 FROM tenancy_licence i
                 WHERE i.person_id = ANY(%(people)s) AND i.jurisdiction = l.jurisdiction),
    'shifts', (SELECT jsonb_agg(jsonb_build_array(h.person_id, h.duty, h.weekday, h.starts, h.ends,
                                                  h.valid_from, h.valid_until, h.breaks))
               FROM services_shift h
               WHERE h.location_id = l.id
                 AND (h.person_id = ANY(%(people)s) OR h.duty = 'attendant')),
    'days', (SELECT jsonb_agg(jsonb_build_array(d.person_id, d.duty, d."on", d.spans))
             FROM services_one_day d
             WHERE d.location_id = l.id AND d.withdrawn_at IS NULL
               AND (d.person_id = ANY(%(people)s) OR d.duty = 'attendant')),
    'roles_end', (SELECT jsonb_agg(jsonb_build_array(m.person_id, m.ends))
                  FROM (SELECT person_id, max(coalesce(valid_until, 'infinity')) AS ends
                        FROM tenancy_membership
                        WHERE location_id IS NULL OR location_id = %(place)s
                        GROUP BY person_id) m
                  WHERE m.ends < 'infinity'),
    'chosen', (SELECT jsonb_agg(c.chosen_practitioner_id ORDER BY p.steps, p.id)
               FROM person p JOIN clients_client c ON c.id = p.id
               WHERE c.chosen_practitioner_id IS NOT NULL),
    'conditions', (SELECT jsonb_agg(jsonb_build_array(n.kind, n.extra_minutes, n.language,
                                                      n.practitioner_id, n.required)
                                    ORDER BY n.recorded_at, n.id)
                   FROM person p JOIN services_booking_condition n
                   ON n.client_id = p.id AND n.lifted_at IS NULL),
    'buffers', (SELECT jsonb_agg(jsonb_build_array(b.person_id, b.before_minutes, b.after_minutes))
                FROM services_practitioner_buffer b WHERE b.person_id = ANY(%(people)s)),
    'languages', (SELECT jsonb_agg(jsonb_build_array(s.person_id, s.languages))
                  FROM services_spoken_languages s WHERE s.person_id = ANY(%(people)s)),
    'client_is_new', EXISTS (SELECT FROM clients_client WHERE id = %(client)s) AND NOT EXISTS (
        SELECT FROM person p JOIN services_visit v ON v.client_id = p.id AND v.state = 'left'),
    'wet_seconds', {WET_SECONDS},
    'contact_seconds', CASE WHEN cardinality(%(kits)s::uuid[]) > 0 THEN {CONTACT_SECONDS} END,
    'client_is_linked', EXISTS (SELECT FROM clients_client c
                                WHERE c.id = %(client)s AND l.id = ANY(c.location_ids))
) FROM tenancy_location l WHERE l.id = %(place)s
"""


# The driver does not keep statements as long as it is with its indents prepared for use.
_FACTS = " ".join(_FACTS.split())


def plan_facts(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    service_ids: Iterable[UUID],
    room_ids: Iterable[UUID],
    kit_ids: Iterable[UUID],
    person_ids: Iterable[UUID],
) -> PlanFacts:
    """The facts for a plan at a location within reach; one statement. Raises `NotFound`."""
    with connection.cursor() as cursor:
        cursor.execute(
            _FACTS,
            {
                "place": location_id,
                "now": now,
                "client": client_id,
                "services": list(service_ids),
                "rooms": list(room_ids),
                "kits": list(kit_ids),
                "people": list(person_ids),
            },
        )
        row = cursor.fetchone()
    if row is None or not actor.covers(location_id):
        raise NotFound
    place = from_json(Location, orjson.loads(row[0]))
    if place.business_id != actor.business_id:
        raise NotFound
    return _facts(place, now, {name: found or [] for name, found in orjson.loads(row[1]).items()})


def minutes_of(
    service: Service,
    *,
    least_clean_up: int,
    new_client: bool = False,
    hands_on: int | None = None,
) -> Minutes:
    """How long a service takes, by the price list or with a practitioner's own hands-on minutes.

    `least_clean_up`: the plan's clean-up is never shorter, whatever the price list says.
    """
    attended = service.developing_attended or not may_be_unattended(service.area, service.method)
    developing = service.developing_minutes
    return Minutes(
        set_up=service.set_up_minutes,
        consultation=service.consultation_minutes
        + (service.new_client_minutes if new_client else 0),
        hands_on=(hands_on or service.hands_on_minutes) + (developing if attended else 0),
        unattended=0 if attended else developing,
        aftercare=service.aftercare_minutes,
        clean_up=max(service.clean_up_minutes, least_clean_up),
    )


def _facts(place: Location, now: datetime, found: dict[str, Any]) -> PlanFacts:
    services = [from_json(Service, columns) for columns in found["services"]]
    return PlanFacts(
        place=place,
        policy=house_policy(place.policies),
        services={service.id: service for service in services},
        rooms={UUID(room): frozenset(features) for room, features, *_ in found["rooms"]},
        own_buffers={
            UUID(one): (before, after)
            for one, *_, before, after in (*found["rooms"], *found["buffers"])
        },
        kits={UUID(kit): kind for kit, kind in found["kits"]},
        skills={
            (UUID(person), UUID(service)): _parsed(datetime, ended_at)
            for person, service, ended_at, _ in found["skills"]
        },
        own_hands_on={
            (UUID(person), UUID(service)): hands_on
            for person, service, _, hands_on in found["skills"]
            if hands_on is not None
        },
        licences=tuple(
            (UUID(person), _parsed(date, valid_from), date.fromisoformat(valid_through))
            for person, valid_from, valid_through in found["licences"]
        ),
        shifts=_shifts(place.zone, found["shifts"], found["days"]),
        roles_end={
            UUID(person): datetime.fromisoformat(ends) for person, ends in found["roles_end"]
        },
        conditions=tuple(_condition(*columns) for columns in found["conditions"]),
        languages={UUID(person): frozenset(spoken) for person, spoken in found["languages"]},
        client_is_new=bool(found["client_is_new"]),
        client_is_linked=bool(found["client_is_linked"]),
        least_clean_up=shortest_turnover_minutes(
            place.jurisdiction, local_date(now, place.zone), found["wet_seconds"] or None
        ),
        contact_seconds=found["contact_seconds"] or None,
        chosen_practitioner=UUID(found["chosen"][0]) if found["chosen"] else None,
    )


def _shifts(
    zone: str, weekly: list[list[Any]], days: list[list[Any]]
) -> dict[tuple[UUID, Duty], list[Worked]]:
    otherwise: dict[tuple[str, str], list[OneDay]] = {}
    for person, duty, on, spans in days:
        one = OneDay(day=date.fromisoformat(on), spans=walls_of(spans), zone=zone)
        otherwise.setdefault((person, duty), []).append(one)
    every_week: dict[tuple[str, str], list[Weekly]] = {}
    for person, duty, *columns in weekly:
        not_on = frozenset(one.day for one in otherwise.get((person, duty), ()))
        every_week.setdefault((person, duty), []).append(_weekly(zone, not_on, *columns))
    return {
        (UUID(who[0]), Duty(who[1])): [*every_week.get(who, ()), *otherwise.get(who, ())]
        for who in {**every_week, **otherwise}
    }


def _weekly(
    zone: str,
    not_on: frozenset[date],
    weekday: int,
    starts: str,
    ends: str,
    valid_from: str,
    valid_until: str | None,
    breaks: list[list[str]],
) -> Weekly:
    return Weekly(
        weekday=weekday,
        starts=time.fromisoformat(starts),
        ends=time.fromisoformat(ends),
        valid_from=date.fromisoformat(valid_from),
        valid_until=_parsed(date, valid_until),
        zone=zone,
        breaks=walls_of(breaks),
        not_on=not_on,
    )


def _condition(
    kind: str, extra_minutes: int, language: str, practitioner: str | None, required: bool
) -> Condition:
    return Condition(
        kind=ConditionKind(kind),
        extra_minutes=extra_minutes,
        language=language,
        practitioner_id=UUID(practitioner) if practitioner else None,
        required=required,
    )


def _parsed(kind: Any, text: str | None) -> Any:
    return None if text is None else kind.fromisoformat(text)
