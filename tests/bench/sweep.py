"""Ending 10,000 soak solutions and flagging 2,000 rooms, with evidence and feed, against two bare UPDATEs.

Ratio to reach: 10. The sweeps are the workers' own functions; the rows are the same on both sides and
are put back in between, which is not timed.
"""

import time
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import UUID

from tests.bench.harness import databases, ratios

PLACES, SOLUTIONS, ROOMS, RUNS = 20, 500, 100, 3
_SOLUTIONS = """
INSERT INTO disinfection_solution (id, business_id, version, location_id, product_id, container, mixed_at,
    concentrate_ml, water_ml, entered, pour, contact_seconds, discard_at, limits, uses, end_reason,
    findings)
SELECT gen_random_uuid(), %(business)s, 1, %(place)s, %(product)s, 'bath ' || n, %(mixed)s, 60, 960, '{}', 'ok',
    600, %(mixed)s + n * interval '1 second', '[]', 0, '', '[]' FROM generate_series(1, %(many)s) AS n
"""
_ROOMS = """
WITH made AS (
    INSERT INTO rooms_room (id, business_id, version, location_id, name, features, state, state_since,
        out_of_use_reason)
    SELECT gen_random_uuid(), %(business)s, 1, %(place)s, 'room ' || n, '{}', 'needs_turnover', %(left)s, ''
    FROM generate_series(1, %(many)s) AS n RETURNING id
) INSERT INTO rooms_turnover (id, business_id, room_id, left_at, due_since, blood_seen, plan_version, hospital_type)
SELECT gen_random_uuid(), %(business)s, id, %(left)s, %(left)s, false, '', false FROM made
"""
PUT_BACK = [
    # Nothing brings a bath back but the owner of the tables, for the next run.
    "ALTER TABLE disinfection_solution DISABLE TRIGGER written_once",
    "UPDATE disinfection_solution SET ended_at = NULL, end_reason = ''",
    "ALTER TABLE disinfection_solution ENABLE TRIGGER written_once",
    # Another leaving is another thing to be flagged.
    "UPDATE rooms_turnover SET left_at = left_at + interval '1 second'",
    "DELETE FROM rooms_flag",
]
PEER = [
    "UPDATE disinfection_solution SET ended_at = discard_at, end_reason = 'window_over', "
    "version = version + 1 WHERE ended_at IS NULL AND discard_at <= now()",
    "UPDATE rooms_room SET version = version + 1 WHERE state = 'needs_turnover'",
]


def fill(now: datetime) -> UUID:
    """A business whose baths are past their window and whose rooms nobody turned over."""
    from django.db import connection

    from compliance.disinfection import actions as disinfection
    from spa_ops.kernel.ids import uuid7
    from spa_ops.unit.work import reading
    from tests.bench.harness.chairs import furnish

    chairs = furnish(PLACES, 1)
    business, product = chairs[0].business_id, uuid7()
    from spa_ops.kernel.actor import system_actor

    disinfection.add_product(
        actor=system_actor(business), now=now, id=product, name="quaternary concentrate",
        active="quaternary ammonium compounds", parts_concentrate=Decimal(1), parts_water=Decimal(16),
        contact_seconds=600,
    )  # fmt: skip
    with reading(business), connection.cursor() as cursor:
        for chair in chairs:
            common = {"business": business, "place": chair.location_id, "product": product}
            mixed, left = now - timedelta(days=2), now - timedelta(hours=5)
            cursor.execute(_SOLUTIONS, common | {"mixed": mixed, "many": SOLUTIONS})
            cursor.execute(_ROOMS, common | {"left": left, "many": ROOMS})
    return business


def main() -> None:
    from spa_ops.kernel import clock

    with databases.server() as server, databases.program(server):
        from django.db import connection, connections, transaction

        from compliance.disinfection.tasks import expire_solutions
        from rooms.tasks import flag_rooms

        now = clock.now()
        business = fill(now)

        def told(statements: list[str]) -> None:
            with transaction.atomic("owner"), connections["owner"].cursor() as cursor:
                cursor.execute("SELECT set_config('spa.business', %s, true)", [str(business)])
                for statement in statements:
                    cursor.execute(statement)

        def counted(table: str, where: str) -> int:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute("SELECT set_config('spa.business', %s, true)", [str(business)])
                cursor.execute(f"SELECT count(*) FROM {table} WHERE {where}")
                return int(cursor.fetchone()[0])

        def ours(_: int) -> float:
            told(PUT_BACK)
            started = time.perf_counter()
            expire_solutions()
            flag_rooms()
            seconds = time.perf_counter() - started
            ended = counted("disinfection_solution", "ended_at IS NOT NULL")
            flagged = counted("rooms_flag", "cleared_at IS NULL AND kind = 'turnover_not_begun'")
            if (ended, flagged) != (PLACES * SOLUTIONS, PLACES * ROOMS):
                raise SystemExit(f"sweep: {ended} ended, {flagged} flagged")
            return seconds

        def peer(_: int) -> float:
            told(PUT_BACK)
            started = time.perf_counter()
            told(PEER)
            return time.perf_counter() - started

        found = ratios.compare(
            bench="sweep", case=f"{PLACES * SOLUTIONS}-solutions-{PLACES * ROOMS}-rooms", ours=ours,
            peer=peer, unit="s", note="lower is better, reach 10", runs=RUNS,
        )  # fmt: skip
    ratios.show([found])


if __name__ == "__main__":
    main()
