"""What is known today of when screening would let each line of a coming visit begin. Reads only."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import permutations
from uuid import UUID

from clients import queries as client_queries
from clients.queries_patch_tests import PatchTestsKept, tests_of
from clients.rules.cases import Declaration, LineToScreen
from clients.rules.foresight import foresee
from clients.rules.model import PatchTest, RuleSet, Verdict
from clients.rules.patch_tests import PATCH_TEST_METHOD, Standing, of_line
from clients.rules.told import standing_declarations
from services.models import Service
from services.queries.own_work import own_work
from services.queries.patch_tests import as_now, products_named
from services.rules.availability.model import Spans
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, local_day
from spa_ops.tenancy.models import Location

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What the client has declared, and where the patch tests stand, for a visit's lines in order."""

    services: Sequence[Service]
    zone: str
    now: datetime
    rules: RuleSet
    declarations: Sequence[tuple[date, Declaration]]
    standings: Sequence[Standing]

    @property
    def knows_something(self) -> bool:
        positive = any(s.status is PatchTest.POSITIVE for s in self.standings)
        return bool(self.declarations) or positive

    def may_start(self, days: Sequence[date]) -> list[Spans | None]:
        """For each line when it may begin on these days; None: nothing is known against any time.

        Left out are days on which what is known forbids it, or has a later date; what a release, a
        look or an answer could lift is offered, and its verdict is told. A patch test that is due
        could be made now: the line begins when its lead time is over at the earliest.
        """
        forbidden = self._forbidden(days)
        found: list[Spans | None] = []
        for n, standing in enumerate(self.standings):
            first = standing.readable_at if standing.status is PatchTest.DUE else None
            if first is None and not forbidden[n]:
                found.append(None)
                continue
            spans = [local_day(day, self.zone) for day in days if day not in forbidden[n]]
            found.append(
                tuple(
                    Period(max(span.start, first or span.start), span.end)
                    for span in spans
                    if first is None or first < span.end
                )
            )
        return found

    def not_before(self) -> frozenset[tuple[int, int]]:
        """Which line may not be before which on one day, by their places.

        Only what the services themselves are decides: a peel is not behind waxing on one area.
        """
        pairs = list(permutations(range(len(self.services)), 2))
        # Each pair on a day of its own: nothing but the pair itself then bears on it.
        today = local_date(self.now, self.zone)
        seen = foresee(
            rule_set=self.rules,
            lines=[
                LineToScreen(
                    key=f"{first} {then} {position}",
                    area=self.services[n].area,
                    method=self.services[n].method,
                    on=today + (1 + at) * _DAY,
                    patch_test=PatchTest.NOT_NEEDED,
                    position=position,
                )
                for at, (first, then) in enumerate(pairs)
                for position, n in enumerate((first, then))
            ],
            declarations=(),
            today=today,
        )
        return frozenset((a, b) for a, b in pairs if not seen[f"{a} {b} 1"].verdict.passes)

    def verdicts(self, day: date) -> list[tuple[str, date | None]]:
        """(verdict, first day if one can be told) of each line for a visit on that day, as far as is known."""
        if not self.knows_something and len(self.services) < 2:
            return [("", None)] * len(self.services)
        seen = self._foreseen([day])
        found = [seen[f"{n} {day}"] for n in range(len(self.services))]
        # Of a client of whom nothing is known, the services' order alone may have a verdict.
        return [
            ("" if verdict.passes and not self.knows_something else verdict.value, earliest_on)
            for verdict, earliest_on in found
        ]

    def _forbidden(self, days: Sequence[date]) -> list[set[date]]:
        if not self.knows_something:
            return [set() for _ in self.services]
        seen = self._foreseen(days)
        return [
            {day for day in days if _forbids(*seen[f"{n} {day}"], day)}
            for n in range(len(self.services))
        ]

    def _foreseen(self, days: Sequence[date]) -> dict[str, tuple[Verdict, date | None]]:
        found = foresee(
            rule_set=self.rules,
            lines=[
                LineToScreen(
                    key=f"{n} {day}",
                    area=service.area,
                    method=service.method,
                    on=day,
                    # One that is due can still be made; one that was positive stays so.
                    patch_test=PatchTest.POSITIVE
                    if self.standings[n].status is PatchTest.POSITIVE
                    else PatchTest.NOT_NEEDED,
                    position=n,
                )
                for day in days
                for n, service in enumerate(self.services)
            ],
            declarations=self.declarations,
            today=local_date(self.now, self.zone),
        )
        return {key: (one.verdict, one.earliest_on) for key, one in found.items()}


def _forbids(verdict: Verdict, earliest_on: date | None, day: date) -> bool:
    if verdict is Verdict.DO_NOT_TREAT:
        return True
    return not verdict.passes and earliest_on is not None and earliest_on > day


def bounds_for(
    *,
    client_id: UUID,
    services: Sequence[Service],
    place: Location,
    now: datetime,
    without: Collection[UUID] = (),
) -> Bounds:
    """What is known for a client's lines; statements do not grow with the lines. Raises `Erased`."""
    rules = client_queries.rule_set()
    today = local_date(now, place.zone)
    items = client_queries.declared_by_each([client_id]).get(client_id, ())
    products = products_named(i for service in services for i in service.skin_product_ids)
    kept = PatchTestsKept(tests=(), endings=(), zone=place.zone)
    if products:
        kept = tests_of(client_id, place.business_id, place.zone)
    standings = []
    for service in services:
        needed = service.needs_patch_test and service.method != PATCH_TEST_METHOD
        standings.append(
            of_line(
                [
                    kept.standing(as_now(products[i]), now=now, needed=needed)
                    for i in service.skin_product_ids
                ],
                needed=needed,
            )
        )
    return Bounds(
        services=services,
        zone=place.zone,
        now=now,
        rules=rules,
        declarations=[
            *own_work([client_id], now, without=without, booked=True)[client_id],
            *(
                (local_date(at, place.zone), said)
                for at, said in standing_declarations(items, rules, today)
            ),
        ],
        standings=standings,
    )
