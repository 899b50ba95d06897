"""What plans keep around a visit: free minutes of its rooms and people, and its kits' way back. Reads only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

import orjson
from django.db import connection

from services.models import Line
from services.queries.kits_away import CONTACT_SECONDS
from services.queries.planning import PlanFacts
from services.rules.buffers import Buffer, of_practitioner, of_room
from services.rules.kits import NO_WAY_BACK, WayBack, way_back
from spa_ops.tenancy.rules import HousePolicy, house_policy


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """How kits come back after a turnover, and what is kept free of whom; who is not in it: nothing.

    `soaks`: kits that go into the bath at an instant agreed with others' instead of as soon as they can,
    as long as there is a place then.
    """

    way_back: WayBack = NO_WAY_BACK
    location_id: UUID | None = None
    buffers: Mapping[UUID, Buffer] = field(default_factory=dict)
    soaks: Mapping[UUID, datetime] = field(default_factory=dict)


NO_MARGINS = Margins()
_MARGINS = f"""
SELECT l.policies::text, {CONTACT_SECONDS}, r.own, l.zone, l.id, (
    SELECT jsonb_agg(jsonb_build_array(person_id, before_minutes, after_minutes))::text
    FROM services_practitioner_buffer WHERE person_id = ANY(%(people)s)
) FROM (
    SELECT location_id, jsonb_agg(jsonb_build_array(
        id, buffer_before_minutes, buffer_after_minutes))::text AS own
    FROM rooms_room WHERE id = ANY(%(rooms)s) GROUP BY location_id) r
JOIN tenancy_location l ON l.id = r.location_id
"""


def margins_of(rows: Sequence[Line], now: datetime) -> Margins:
    """What the lines of one location's plan keep around them, as far as is known now. One statement.

    For a plan whose facts were read for its own rooms and people, `planned_margins` needs none.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            _MARGINS,
            {
                "rooms": list({line.room_id for line in rows}),
                "people": list({line.practitioner_id for line in rows}),
                "now": now,
            },
        )
        row = cursor.fetchone()
    if row is None:
        return NO_MARGINS
    own = {
        UUID(who): tuple(minutes)
        for who, *minutes in (*orjson.loads(row[2]), *orjson.loads(row[5] or "[]"))
    }
    return _margins(rows, house_policy(orjson.loads(row[0])), own, row[1], row[3], row[4])


def planned_margins(rows: Sequence[Line], facts: PlanFacts) -> Margins:
    """The same from the facts of a plan, which name the rooms and practitioners of all of `rows`."""
    return _margins(
        rows,
        facts.policy,
        facts.own_buffers,
        facts.contact_seconds,
        facts.place.zone,
        facts.place.id,
    )


def _margins(
    rows: Sequence[Line],
    policy: HousePolicy,
    own: Mapping[UUID, tuple[int | None, ...]],
    contact_seconds: int | None,
    zone: str,
    location_id: UUID,
) -> Margins:
    buffers: dict[UUID, Buffer] = {}
    for line in rows:
        for who, rule in ((line.room_id, of_room), (line.practitioner_id, of_practitioner)):
            before, after = own.get(who, (None, None))
            buffers[who] = rule(policy, before, after)
    return Margins(
        way_back=way_back(policy, contact_seconds, zone),
        location_id=location_id,
        buffers={who: one for who, one in buffers.items() if one != Buffer()},
    )
