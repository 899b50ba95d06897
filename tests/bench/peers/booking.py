"""The same rows in the same transaction with nothing but psycopg: the peer of `booking`.

It checks nothing: no licence, no shift, no opening hour. It locks the bookables in order, and
numbers the entry and the change under their locks, as our program does.
"""

import os
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID

import psycopg

from compliance.ledger.rules.format import assemble, canonical_json, commitment, header_parts
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.ids import uuid7
from tests.bench.harness.chairs import MINUTES, NOW, Chair, starts_of
from tests.bench.harness.crews import Done

_LOCK = (
    "SELECT id, number FROM claims_bookable WHERE id = ANY(%s) ORDER BY number FOR NO KEY UPDATE"
)
_ONE_CLAIM = "(%s, %s, %s, int8range(%s, %s, '[]'), tstzrange(%s, %s), %s, %s, %s)"
_CLAIM = (
    "INSERT INTO claims_claim (id, business_id, bookable_id, number, span, phase, visit_id, line_id) "
    f"VALUES {', '.join([_ONE_CLAIM] * 7)}"
)
_VISIT = (
    "INSERT INTO services_visit (id, business_id, version, location_id, client_id, state, walk_in, "
    "starts_at, booked_at, booked_by, policy_shown, note) "
    "VALUES (%s, %s, 1, %s, %s, 'booked', false, %s, %s, %s, %s, '')"
)
_LINE = (
    "INSERT INTO services_line (id, business_id, visit_id, position, service_id, area, method, "
    "practitioner_id, room_id, set_up_by, turnover_by, set_up_at, starts_at, hands_on_at, "
    "aftercare_at, ends_at, turnover_ends_at, state, price_minor, currency, verdict, rules_version, shortened) "
    "VALUES (%s, %s, %s, 0, %s, 'lip', 'hard_wax', %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, "
    "'planned', 1500, 'USD', '', '', false)"
)
_CHANGE = (
    "INSERT INTO services_visit_change (id, business_id, visit_id, kind, at, person_id, is_at, "
    "reason, policy_shown) VALUES (%s, %s, %s, 'booked', %s, %s, %s, '', %s)"
)
_DUE = (
    "INSERT INTO services_foresight_due (id, business_id, client_id, since) VALUES (%s, %s, %s, %s)"
)
_HEAD = "SELECT n, hash FROM ledger_head WHERE chain_id = %s FOR NO KEY UPDATE"
_ENTRY = (
    "INSERT INTO ledger_entry (business_id, chain_id, n, kind, subject_id, recorded_at, occurred_at, "
    "person_id, header, hash, facts, facts_salt) "
    "VALUES (%s, %s, %s, 'visit.booked', %s, %s, %s, %s, %s, %s, %s, %s)"
)
_NEW_HEAD = "UPDATE ledger_head SET n = %s, hash = %s, recorded_at = %s WHERE chain_id = %s"
_FEED = "UPDATE sync_feed SET head = head + 1 WHERE id = %s RETURNING head"
_FEED_CHANGE = (
    "INSERT INTO sync_change (business_id, feed_id, seq, entity, entity_id, version, op, recorded_at) "
    "VALUES (%s, %s, %s, 'visit', %s, 1, 'upsert', %s)"
)
POLICY = "Please tell us 24 hours before if you cannot come."


def prepare(chair: Chair, many: int) -> tuple[Any, Chair, int]:
    """Connect as the owner, within the business: entries may be written by nobody else."""
    connection = psycopg.connect(os.environ["DATABASE_OWNER_URL"])
    connection.execute("SELECT set_config('spa.business', %s, false)", [str(chair.business_id)])
    connection.commit()
    return connection, chair, many


def work(state: tuple[Any, Chair, int], run: int) -> Done:
    """Book the chair as often as asked; another crew has its own runs of starts."""
    connection, chair, many = state
    for start in starts_of(run, many):
        _book(connection, chair, start)
    return Done(many, 0)


def _book(connection: Any, chair: Chair, start: datetime) -> None:
    business, visit, line = chair.business_id, uuid7(), uuid7()
    instants = [start - timedelta(minutes=MINUTES["set_up"]), start]
    for part in ("consultation", "hands_on", "aftercare", "clean_up"):
        instants.append(instants[-1] + timedelta(minutes=MINUTES[part]))
    with connection.cursor() as cursor:
        who = [chair.client_id, chair.practitioner_id, chair.room_id]
        numbers = dict(cursor.execute(_LOCK, [who]).fetchall())
        cursor.execute(_CLAIM, _claims(chair, numbers, instants, visit, line))
        cursor.execute(
            _VISIT,
            [
                visit,
                business,
                chair.location_id,
                chair.client_id,
                start,
                NOW,
                chair.desk_id,
                POLICY,
            ],
        )
        does = [chair.practitioner_id, chair.room_id, chair.practitioner_id, chair.practitioner_id]
        cursor.execute(_LINE, [line, business, visit, chair.service_id, *does, *instants])
        cursor.execute(_CHANGE, [uuid7(), business, visit, NOW, chair.desk_id, start, POLICY])
        cursor.execute(_DUE, [uuid7(), business, chair.client_id, NOW])
        _append(cursor, chair, visit, line, start)
        seq = cursor.execute(_FEED, [chair.location_id]).fetchone()[0]
        cursor.execute(_FEED_CHANGE, [business, chair.location_id, seq, visit, NOW])
    connection.commit()


def _claims(
    chair: Chair, numbers: dict[UUID, int], instants: list[datetime], visit: UUID, line: UUID
) -> list[Any]:
    set_up, starts, _, _, ends, turned_over = instants
    wanted = [(chair.client_id, starts, ends, "service")]
    for who in (chair.practitioner_id, chair.room_id):
        wanted += [
            (who, set_up, starts, "set_up"),
            (who, starts, ends, "service"),
            (who, ends, turned_over, "turnover"),
        ]
    wanted.sort(key=lambda one: (numbers[one[0]], one[1]))
    return [
        value
        for who, start, end, phase in wanted
        for value in (
            *(uuid7(), chair.business_id, who, numbers[who], numbers[who]),
            *(start, end, phase, visit, line),
        )
    ]


def _append(cursor: Any, chair: Chair, visit: UUID, line: UUID, start: datetime) -> None:
    salt = os.urandom(32)
    facts = canonical_json(
        {
            "client_id": str(chair.client_id),
            "line_ids": [str(line)],
            "starts_at": rfc3339(start),
            "visit_id": str(visit),
            "walk_in": False,
        }
    )
    parts = header_parts(
        actor_person=str(chair.desk_id),
        actor_role="front_desk",
        auth="token",
        body_v=1,
        business=str(chair.business_id),
        facts_commitment=commitment(salt, facts),
        personal_commitment=None,
        device=None,
        device_entry_n=None,
        kind="visit.booked",
        location=str(chair.location_id),
        occurred_at=rfc3339(NOW),
    )
    n, before = cursor.execute(_HEAD, [chair.location_id]).fetchone()
    header = assemble(parts, n=n + 1, prev_hash=before, recorded_at=rfc3339(NOW))
    digest = sha256(b"\x00" + header).digest()
    cursor.execute(
        _ENTRY,
        [
            *(chair.business_id, chair.location_id, n + 1, visit, NOW, NOW, chair.desk_id),
            *(header.decode(), digest, facts.decode(), salt),
        ],
    )
    cursor.execute(_NEW_HEAD, [n + 1, digest, NOW, chair.location_id])
