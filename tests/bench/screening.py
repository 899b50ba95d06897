"""Look again at 20,000 coming visits of 5,000 clients after a rule change, against only loading the rows.

Ours: read, unseal, judge, and write what changed (lines, evidence, feed), in batches that commit.
The peer: psycopg, a bare loop over the same rows in the same batches, which opens and judges nothing.
Ratio to reach: at most 3 times the peer's time.
"""

import json
import os
import random
import time
from collections.abc import Sequence
from datetime import timedelta
from typing import Any
from uuid import UUID

import psycopg

from tests.bench.harness import databases, ratios
from tests.bench.harness.chairs import MINUTES, NOW, Chair, furnish

CLIENTS, VISITS_EACH, SEED = 5_000, 4, 20_240_508
#: One house policy after the other: each makes a good share of the lines wait, or frees them.
POLICIES: list[dict[str, Any]] = [
    {
        "version": f"house-{days}",
        "tighten": [{"rule": "topical_retinoid", "since": {"days": days}, "why": "lifted skin"}],
    }
    for days in (10, 60)
]
#: What clients have said, about as often as they say it (invented); most have said little or nothing.
SAID: list[tuple[int, dict[str, Any]]] = [
    (8, {"kind": "topical_retinoid", "areas": ["face"], "still": False, "when": {"on": "2024-05-06"}}),
    (5, {"kind": "topical_retinoid", "areas": ["face"], "still": True}),
    (15, {"kind": "allergy", "details": ["fragrance"]}),
    (8, {"kind": "medicine", "details": ["other"], "still": True}),
    (4, {"kind": "medicine", "details": ["blood_thinner"], "still": True}),
    (3, {"kind": "diabetes", "still": True}),
    (3, {"kind": "pregnancy", "still": True}),
    (10, {"kind": "cold_sore", "areas": ["lip"], "still": False, "when": {"on": "2024-03-01"}}),
    (6, {"kind": "chemical_peel", "details": ["light"], "areas": ["face"], "when": {"on": "2024-04-20"}}),
    (1, {"kind": "isotretinoin", "still": True}),
]  # fmt: skip
_COMING_LINES = """
SELECT v.client_id, v.id, l.id, p.zone, l.area, l.method, l.starts_at, l.verdict, l.earliest_on, s.skin_product_ids
FROM services_visit v
JOIN services_line l ON l.business_id = v.business_id AND l.visit_id = v.id
JOIN services_service s ON s.business_id = l.business_id AND s.id = l.service_id
JOIN tenancy_location p ON p.business_id = v.business_id AND p.id = v.location_id
WHERE v.client_id = ANY(%s) AND v.state = 'booked' AND v.starts_at > %s AND l.state = 'planned'
ORDER BY v.client_id, l.starts_at, l.id
"""
#: What was done here lately: it counts as told.
_DONE = (
    "SELECT v.client_id, l.area, l.method, l.starts_at, l.started_at FROM services_visit v "
    "JOIN services_line l ON l.business_id = v.business_id AND l.visit_id = v.id "
    "WHERE v.client_id = ANY(%s) AND v.starts_at BETWEEN %s AND %s AND l.started_at IS NOT NULL"
)
_HEALTH = (
    "SELECT id, business_id, client_id, visit_id, kind, sealed, corrects_id, recorded_at, recorded_by "
    "FROM clients_health_answer WHERE client_id = ANY(%s) AND kind IN ('declaration', 'correction') "
    "ORDER BY client_id, recorded_at, id"
)
_KEYS = (
    "SELECT k.id, k.business_id, k.business_key_id, k.wrapped, k.destroyed_at, b.id, b.business_id, "
    "b.master_key_id, b.wrapped, b.created_at FROM tenancy_subject_key k "
    "JOIN tenancy_business_key b ON b.id = k.business_key_id WHERE k.id = ANY(%s)"
)


def fill(chair: Chair) -> None:
    """Clients with what they said, sealed, and their coming visits; straight into the tables."""
    from clients.actions_import import NewClient, add_clients
    from clients.queries import items_from
    from spa_ops.kernel.actor import system_actor
    from spa_ops.kernel.ids import uuid7
    from spa_ops.tenancy.sealing import seal_for_each
    from spa_ops.unit.work import reading

    chance = random.Random(SEED)
    clients = [uuid7() for _ in range(CLIENTS)]
    for first in range(0, CLIENTS, 500):
        add_clients(
            actor=system_actor(chair.business_id),
            now=NOW,
            location_id=chair.location_id,
            clients=[NewClient(id=i, name=f"Invented {n}", source_id=str(n)) for n, i in enumerate(clients[first : first + 500], first)],
        )  # fmt: skip
    told = items_from(declarations=[said for _, said in SAID], today=NOW.date())
    texts = [json.dumps(item.content, default=str).encode() for item in told]
    said = {
        i: [
            text
            for (percent, _), text in zip(SAID, texts, strict=True)
            if chance.randrange(100) < percent
        ]
        for i in clients
    }
    with reading(chair.business_id):
        sealed = seal_for_each(chair.business_id, {i: texts for i, texts in said.items() if texts})
    with psycopg.connect(os.environ["DATABASE_OWNER_URL"]) as owner:
        owner.execute("SELECT set_config('spa.business', %s, false)", [str(chair.business_id)])
        _insert_answers(owner, chair, sealed)
        _insert_visits(owner, chair, clients)
    with psycopg.connect(os.environ["DATABASE_OWNER_URL"], autocommit=True) as owner:
        owner.execute("ANALYZE")


def _insert(owner: Any, table: str, columns: str, rows: Sequence[tuple[Any, ...]]) -> None:
    # Not COPY: row-level security does not know it.
    values = ", ".join(["%s"] * len(columns.split(",")))
    owner.cursor().executemany(f"INSERT INTO {table} ({columns}) VALUES ({values})", rows)


def _insert_answers(owner: Any, chair: Chair, sealed: dict[UUID, list[bytes]]) -> None:
    from spa_ops.kernel.ids import uuid7

    columns = "id, business_id, client_id, visit_id, kind, sealed, recorded_at"
    told = NOW - timedelta(days=2)
    rows = [
        (uuid7(), chair.business_id, client_id, visit_id, "declaration", text, told + timedelta(seconds=n))
        for client_id, texts in sealed.items()
        for visit_id in [uuid7()]
        for n, text in enumerate(texts)
    ]  # fmt: skip
    _insert(owner, "clients_health_answer", columns, rows)


def _insert_visits(owner: Any, chair: Chair, clients: Sequence[UUID]) -> None:
    from spa_ops.kernel.ids import uuid7

    visits, lines = [], []
    who, business = chair.practitioner_id, chair.business_id
    for n, client_id in enumerate(clients):
        for week in range(VISITS_EACH):
            visit_id = uuid7()
            start = NOW + timedelta(weeks=4 * week, days=1 + n % 28, minutes=n % 600)
            visits.append(
                (visit_id, business, 1, chair.location_id, client_id, "booked", False, start, NOW, "", "")
            )  # fmt: skip
            instants = [start - timedelta(minutes=MINUTES["set_up"]), start]
            for part in ("consultation", "hands_on", "aftercare", "clean_up"):
                instants.append(instants[-1] + timedelta(minutes=MINUTES[part]))
            lines.append(
                (uuid7(), business, visit_id, 0, chair.service_id, "lip", "hard_wax", who, chair.room_id,
                 who, who, *instants, "planned", 1500, "USD", "", "", False)
            )  # fmt: skip
    columns = (
        "id, business_id, version, location_id, client_id, state, walk_in, starts_at, booked_at, "
        "policy_shown, note"
    )
    _insert(owner, "services_visit", columns, visits)
    columns = (
        "id, business_id, visit_id, position, service_id, area, method, practitioner_id, room_id, set_up_by, "
        "turnover_by, set_up_at, starts_at, hands_on_at, aftercare_at, ends_at, turnover_ends_at, state, "
        "price_minor, currency, verdict, rules_version, shortened"
    )
    _insert(owner, "services_line", columns, lines)


def ours(chair: Chair, run: int) -> float:
    """Milliseconds to look at everything under the other policy."""
    from clients.actions_policy import set_screening_policy
    from services.actions.foresight import foresee_under_new_rules
    from spa_ops.kernel.actor import system_actor

    actor = system_actor(chair.business_id)
    set_screening_policy(actor=actor, now=NOW, policy=POLICIES[run % 2])
    began = time.perf_counter()
    looked_at = 0
    while done := foresee_under_new_rules(actor=actor, now=NOW):
        looked_at += done
    if looked_at != CLIENTS:
        raise SystemExit(f"looked at {looked_at} clients of {CLIENTS}")
    return 1000 * (time.perf_counter() - began)


def peer(connection: Any, chair: Chair, run: int) -> float:
    """Milliseconds to load the same rows in the same batches."""
    from services.actions.foresight import CLIENTS_AT_ONCE
    from services.queries.foresight import CLIENTS_BEHIND
    from services.queries.own_work import LONGEST

    began = time.perf_counter()
    after, visits = UUID(int=0), set()
    while True:
        with connection.transaction():
            connection.execute(
                "SELECT set_config('spa.business', %s, true)", [str(chair.business_id)]
            )
            rows = connection.execute(CLIENTS_BEHIND, [NOW, after, CLIENTS_AT_ONCE]).fetchall()
            if not rows:
                break
            ids = [row[0] for row in rows]
            told = connection.execute(_HEALTH, [ids]).fetchall()
            connection.execute(_KEYS, [[row[2] for row in told]]).fetchall()
            connection.execute(_DONE, [ids, NOW - LONGEST, NOW + timedelta(days=1)]).fetchall()
            for row in connection.execute(_COMING_LINES, [ids, NOW]).fetchall():
                visits.add(row[1])
            after = ids[-1]
    if len(visits) != CLIENTS * VISITS_EACH:
        raise SystemExit(f"the peer saw {len(visits)} visits")
    return 1000 * (time.perf_counter() - began)


def main() -> None:
    with databases.server() as server, databases.program(server):
        (chair,) = furnish(1, 1)
        fill(chair)
        with psycopg.connect(os.environ["DATABASE_URL"], autocommit=True) as connection:
            case = ratios.compare(
                bench="screening",
                case="rule-change",
                ours=lambda run: ours(chair, run),
                peer=lambda run: peer(connection, chair, run),
                unit="ms",
                note=f"lower is better, reach 3; {CLIENTS * VISITS_EACH} visits of {CLIENTS} clients",
            )
            case["note"] = f"{case['note']}; {changed(chair)}"
    ratios.show([case])


def changed(chair: Chair) -> str:
    """How many lines stand stopped now: that something was found is part of the claim."""
    from services.models import Line
    from spa_ops.unit.work import reading

    with reading(chair.business_id):
        stopped = Line.objects.exclude(verdict="").count()
    return f"{stopped} lines stopped at the end"


if __name__ == "__main__":
    main()
