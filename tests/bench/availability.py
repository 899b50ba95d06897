"""The first 20 options of a three-line visit against a bare REST framework list of 50 rows, both over HTTP.

12 rooms, 15 practitioners, 10 kits, 20 visits a room-day for 30 days. In `day-1` there is room on the
first day, in `day-10` not before the tenth, in `full-month` never: then the answer explains itself.
Ratios to reach: 2, 3 and 6 times the peer's time.
"""

import http.client
import json
import time
from datetime import datetime, timedelta

from tests.bench.harness import databases, ratios
from tests.bench.harness.chairs import Chair, furnish
from tests.bench.harness.servers import get, milliseconds_each, serving
from tests.bench.read import booked, seeded_peer, token

ROOMS, PEOPLE, KITS, DAYS, VISITS, ROWS, ASKED = 12, 15, 10, 30, 20, 50, 5
#: Minutes from one visit to the next: on a full day nothing is left of 14 hours.
FULL, LOOSE = 42, 33
CASES = {"day-1": (0, 2.0), "day-10": (9, 3.0), "full-month": (DAYS + 2, 6.0)}
_CLAIMS = """
INSERT INTO claims_claim (id, business_id, bookable_id, number, span, phase)
SELECT gen_random_uuid(), b.business_id, b.id, int8range(b.number, b.number, '[]'),
       tstzrange(at + p.first * interval '1 minute', at + p.last * interval '1 minute'), p.phase
FROM claims_bookable b, generate_series(0, %(days)s) AS day, generate_series(0, %(visits)s - 1) AS n,
LATERAL (SELECT CASE WHEN day < %(full)s THEN %(tight)s ELSE %(loose)s END AS pace) c,
LATERAL (SELECT %(opens)s::timestamptz + day * interval '1 day' + n * c.pace * interval '1 minute' AS at) s,
LATERAL (VALUES (0, 5, 'set_up'), (5, c.pace - 10, 'service'), (c.pace - 10, c.pace, 'turnover'))
    AS p(first, last, phase)
WHERE b.id = ANY(%(ids)s)
"""


def busy_place(
    full_days: int, opens: datetime, *, times: int = 1, days: int = DAYS
) -> tuple[Chair, list[str]]:
    """A location with its people, rooms and kits taken as the case says, and the services to ask for.

    With that many `times` the rooms, people and kits.
    """
    from django.db import connection

    from compliance.disinfection import actions as disinfection
    from services.actions import price_list, team
    from spa_ops.kernel.actor import system_actor
    from spa_ops.kernel.ids import uuid7
    from spa_ops.unit.work import reading
    from tests.bench.harness.chairs import MINUTES, NOW

    chairs = furnish(1, PEOPLE * times)
    rooms = ROOMS * times
    first = chairs[0]
    by = {"actor": system_actor(first.business_id), "now": NOW}
    with_kit, kits = uuid7(), [uuid7() for _ in range(KITS * times)]
    price_list.add_service(
        **by, id=with_kit, name="Brow wax", area="brow", method="hard_wax", price_minor=2200,
        currency="USD", kit_kind="brow", **{f"{part}_minutes": m for part, m in MINUTES.items()},
    )  # fmt: skip
    for chair in chairs:
        team.grant_skill(**by, person_id=chair.practitioner_id, service_id=with_kit)
    for n, kit in enumerate(kits):
        disinfection.add_kit(
            **by, id=kit, location_id=first.location_id, name=f"Kit {n}", kind="brow"
        )
    taken = [c.room_id for c in chairs[:rooms]] + [c.practitioner_id for c in chairs[:rooms]]
    with reading(first.business_id), connection.cursor() as cursor:
        spare = [c.room_id for c in chairs[rooms:]]
        cursor.execute("UPDATE rooms_room SET state = 'out_of_use' WHERE id = ANY(%s)", [spare])
        cursor.execute(
            _CLAIMS,
            {"days": days + 1, "visits": VISITS, "full": full_days, "tight": FULL, "loose": LOOSE,
             "opens": opens, "ids": taken + kits},
        )  # fmt: skip
    return first, [str(with_kit), str(first.service_id), str(first.service_id)]


def ask(port: int, chair: Chair, services: list[str], since: datetime, bearer: str) -> dict:
    """One answer; anything but 200 ends the benchmark."""
    body = {
        "client_id": str(chair.client_id), "limit": 20, "from": since.isoformat(),
        "lines": [{"service_id": service} for service in services],
    }  # fmt: skip
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    try:
        headers = {"Authorization": bearer, "Content-Type": "application/json"}
        path = f"/api/v1/locations/{chair.location_id}/availability"
        connection.request("POST", path, json.dumps(body), headers)
        response = connection.getresponse()
        text = response.read()
    finally:
        connection.close()
    if response.status != 200:
        raise SystemExit(f"availability: {response.status} {text[:300]!r}")
    return json.loads(text)


def main() -> None:
    from spa_ops.kernel import clock

    since = (clock.now() + timedelta(days=1)).replace(hour=8, minute=0, second=0, microsecond=0)
    found = []
    with (
        databases.server() as server,
        databases.program(server),
        databases.new_database(server) as theirs,
    ):
        places = {name: busy_place(full, since) for name, (full, _) in CASES.items()}
        (chair,) = furnish(1, 1)
        ids, reader = booked(chair)[:ROWS], token(chair)
        unlimited = {"SPA_OPS_REQUESTS_PER_MINUTE": "10000000"}
        environment = {"PEER_DATABASE_URL": theirs.owner_url}
        with serving("spa_ops.wsgi:application", unlimited) as ours:
            bodies = [json.loads(get(ours, f"/api/v1/visits/{v}", reader)) for v in ids]
            theirs_token = seeded_peer(environment, bodies)
            with serving("tests.bench.peers.read_site.wsgi:application", environment) as port:
                for name, (place, services) in places.items():
                    bearer = token(place)
                    answer = ask(ours, place, services, since, bearer)
                    assert bool(answer["options"]) == (name != "full-month"), name

                    def asked(_: int, place=place, services=services, bearer=bearer) -> float:
                        started = time.perf_counter()
                        for _ in range(ASKED):
                            ask(ours, place, services, since, bearer)
                        return 1000 * (time.perf_counter() - started) / ASKED

                    found.append(
                        ratios.compare(
                            bench="availability", case=name, ours=asked,
                            peer=lambda _: milliseconds_each(port, ["/visits/"] * ASKED, theirs_token),
                            unit="ms", note=f"lower is better, reach {CASES[name][1]}",
                        )
                    )  # fmt: skip
    ratios.show(found)


if __name__ == "__main__":
    main()
