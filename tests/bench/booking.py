"""Confirmed visits a second at eight processes: `book_visit` against the same rows by psycopg alone.

Ratio to reach: 0.5 for both cases (bookings at eight locations; all at one location), and nobody
booked twice.
"""

import sys
from collections.abc import Callable
from typing import Any

from tests.bench.harness import databases, ratios
from tests.bench.harness.chairs import NOW, Chair, furnish, starts_of
from tests.bench.harness.crews import Crew, Done
from tests.bench.peers import booking as peer

PROCESSES, BOOKINGS_EACH = 8, 40
#: Both crews use the same chairs, in runs that take turns: run r of ours is 2r, of the peer 2r + 1.
CASES = {"eight-locations": (PROCESSES, 1), "one-location": (1, PROCESSES)}


def prepare(chair: Chair, many: int) -> tuple[Chair, int]:
    """Our program in this process, with its connection open."""
    import django

    django.setup()
    from spa_ops.tenancy import queries

    queries.business_ids()
    return chair, many


def work(state: tuple[Chair, int], run: int) -> Done:
    """Book the chair as often as asked, one after the other."""
    from services.actions.booking import LineRequest, book_visit
    from spa_ops.kernel.actor import Actor, Auth, Role
    from spa_ops.kernel.problems import Problem

    chair, many = state
    by = Actor(
        business_id=chair.business_id,
        role=Role.FRONT_DESK,
        auth=Auth.TOKEN,
        person_id=chair.desk_id,
        location_id=chair.location_id,
    )
    refused = 0
    for start in starts_of(run, many):
        line = LineRequest(
            service_id=chair.service_id,
            practitioner_id=chair.practitioner_id,
            room_id=chair.room_id,
            starts_at=start,
        )
        try:
            book_visit(
                actor=by,
                now=NOW,
                location_id=chair.location_id,
                client_id=chair.client_id,
                lines=[line],
            )
        except Problem as problem:
            print(f"refused: {problem}", file=sys.stderr)
            refused += 1
    return Done(many - refused, refused)


def measured(case: str, locations: int, chairs_each: int) -> dict[str, object]:
    """One case, with its crews."""
    chairs = furnish(locations, chairs_each)
    arguments: list[tuple[Any, ...]] = [(chair, BOOKINGS_EACH) for chair in chairs]
    refused = [0]

    def rate(crew: Crew, odd: int) -> Callable[[int], float]:
        def once(run: int) -> float:
            seconds, done = crew.run(2 * run + odd)
            refused[0] += sum(d.refused for d in done)
            return sum(d.done for d in done) / seconds

        return once

    ours, theirs = Crew(prepare, work, arguments), Crew(peer.prepare, peer.work, arguments)
    try:
        found = ratios.compare(
            bench="booking",
            case=case,
            ours=rate(ours, 0),
            peer=rate(theirs, 1),
            unit="visits/s",
            note="",
        )
    finally:
        ours.dismiss()
        theirs.dismiss()
    visits = _checked(chairs)
    found["note"] = (
        f"higher is better, reach 0.5; {PROCESSES} processes; refused {refused[0]} of "
        f"{PROCESSES * BOOKINGS_EACH * (ratios.RUNS + 1)}; of {visits} visits none overlaps, chains verify"
    )
    return found


def _checked(chairs: list[Chair]) -> int:
    """The number of visits, after a look that nothing is held twice and every chain is whole."""
    from django.db import connection

    from compliance.ledger.queries import verification
    from spa_ops.unit.work import snapshot

    with snapshot(chairs[0].business_id), connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM claims_claim a JOIN claims_claim b "
            "ON a.bookable_id = b.bookable_id AND a.id < b.id AND a.span && b.span"
        )
        if twice := cursor.fetchone()[0]:
            raise SystemExit(f"{twice} spans are held twice")
        for place in {chair.location_id for chair in chairs}:
            found = verification(chairs[0].business_id, place)
            if not found.is_whole:
                raise SystemExit(f"the chain is broken: {found.failure}")
        cursor.execute("SELECT count(*) FROM services_visit")
        return int(cursor.fetchone()[0])


def main() -> None:
    with databases.server() as server, databases.program(server):
        cases = [measured(case, *shape) for case, shape in CASES.items()]
    ratios.show(cases)


if __name__ == "__main__":
    main()
