"""What the search for starts costs with 1, 3 and 10 times the rooms (and people and kits), and the days.

Always the worst case: every day is fully booked, so all of it is looked at and the answer explains
itself. In one process and without HTTP; the ratio is to the case with 1 time of both.
"""

import time
from datetime import datetime, timedelta
from uuid import UUID

from tests.bench.availability import DAYS, busy_place
from tests.bench.harness import databases, ratios
from tests.bench.harness.chairs import Chair

FACTORS = (1, 3, 10)


def looked(chair: Chair, services: list[str], since: datetime, days: int) -> float:
    """Milliseconds of one question about `days` days, from the first statement to the explanation."""
    from services.queries.availability import LineAsked, asked_for
    from services.rules.availability.masks import Masks
    from services.rules.availability.reasons import day_reasons, what_ifs
    from services.rules.availability.search import options
    from spa_ops.kernel.actor import Actor, Auth, Role
    from spa_ops.kernel.intervals import Period
    from spa_ops.unit.work import reading

    by = Actor(
        business_id=chair.business_id,
        role=Role.FRONT_DESK,
        auth=Auth.TOKEN,
        person_id=chair.desk_id,
        location_id=chair.location_id,
    )
    day = timedelta(days=1)
    started = time.perf_counter()
    with reading(chair.business_id):
        asked = asked_for(
            actor=by,
            now=since - day,
            location_id=chair.location_id,
            client_id=chair.client_id,
            lines=[LineAsked(service_id=UUID(service)) for service in services],
            since=since,
        )
        period = Period(since, since + days * day)
        question = asked.question(period, period.end + timedelta(hours=4))
    masks = Masks(question=question)
    if options(question, 20, masks):
        raise SystemExit("availability_scale: a start was found on a full day")
    day_reasons(masks, [Period(since + n * day, since + (n + 1) * day) for n in range(days)])
    what_ifs(masks)
    return 1000 * (time.perf_counter() - started)


def main() -> None:
    from spa_ops.kernel import clock

    since = (clock.now() + timedelta(days=1)).replace(hour=8, minute=0, second=0, microsecond=0)
    found = []
    with databases.server() as server, databases.program(server):
        plain = busy_place(DAYS + 2, since)
        for what in ("rooms", "days"):
            for factor in FACTORS:
                times, days = (factor, DAYS) if what == "rooms" else (1, DAYS * factor)
                place = plain
                if factor > 1:
                    place = busy_place(days + 2, since, times=times, days=days)
                found.append(
                    ratios.compare(
                        bench="availability_scale", case=f"{what}-{factor}",
                        ours=lambda _, p=place, d=days: looked(*p, since, d),
                        peer=lambda _: looked(*plain, since, DAYS),
                        unit="ms", note="lower is better; the peer is 1 time the rooms and days",
                    )
                )  # fmt: skip
    ratios.show(found)


if __name__ == "__main__":
    main()
