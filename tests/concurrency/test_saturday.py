"""One busy Saturday with 64 desks at once: nothing is taken twice, nothing lost, every refusal says why.

A few seconds of it in the suite; `SATURDAY_SECONDS=120 pytest tests/concurrency/test_saturday.py` for longer.
"""

import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from psycopg import errors

from clients import actions as clients
from services.actions import booking, holds
from services.actions.plans import LineRequest
from services.models import Hold, Line, Visit
from services.queries.availability import LineAsked, availability
from spa_ops.kernel import clock
from spa_ops.kernel.actor import system_actor
from spa_ops.kernel.problems import Busy, Problem
from spa_ops.unit.work import reading
from tests.concurrency.invariants import count, flaws
from tests.world import BUSINESS, LAKE, actor, uid

THREADS = 64
SECONDS = float(os.environ.get("SATURDAY_SECONDS", "5"))
#: The server's connections are shared with whatever else runs on it.
AT_ONCE = threading.Semaphore(48)
SATURDAY = datetime(2026, 5, 9, 9, 5, tzinfo=ZoneInfo("America/Chicago"))
#: What the world may answer; each is a problem with a text of its own.
REFUSALS = {
    "ClaimClash", "WrongState", "OffShift", "OutsideOpeningHours", "StaleVersion", "TooManyHolds", "NothingFree",
}  # fmt: skip
DONE = ("booked", "moved", "cancelled", "held", "booked what was held", "booked what was offered")


@pytest.fixture
def people(own_database) -> list[UUID]:
    """A client for each thread."""
    by: dict[str, Any] = {"actor": system_actor(BUSINESS), "now": clock.now()}
    return [
        clients.add_client(**by, location_id=LAKE, name=f"Invented guest {i}").id
        for i in range(THREADS)
    ]


class Desk:
    """What one thread does, by dice of its own."""

    def __init__(self, number: int, client: UUID, known: list[UUID]) -> None:
        self.dice, self.client, self.known = random.Random(number), client, known
        self.met: Counter[str] = Counter()

    def run(self, until: float) -> Counter[str]:
        turns: list[Callable[[], str]] = [
            self.book, self.book, self.move, self.move, self.cancel, self.hold, self.ask,
        ]  # fmt: skip
        while time.monotonic() < until:
            with AT_ONCE:
                try:
                    self.met[self.dice.choice(turns)()] += 1
                except Busy as problem:
                    self.met[f"busy {problem.__cause__.__cause__.sqlstate}"] += 1
                except Problem as problem:
                    assert problem.detail and problem.title
                    self.met[type(problem).__name__] += 1
                finally:
                    connection.close()
        return self.met

    @property
    def common(self) -> dict[str, Any]:
        return {"actor": actor(self.dice.choice(["freya", "lena"])), "now": clock.now()}

    def line(self) -> LineRequest:
        kit = self.dice.choice([None, "brow kit 1", "brow kit 2"])
        return LineRequest(
            service_id=uid("brow wax" if kit else "lip wax"),
            practitioner_id=uid(self.dice.choice(["petra", "lena"])),
            room_id=uid(self.dice.choice(["room 1", "room 2", "room 3"])),
            kit_id=uid(kit) if kit else None,
            starts_at=SATURDAY + timedelta(minutes=5 * self.dice.randrange(110)),
        )

    def booked(self, *lines: LineRequest, **more: Any) -> Visit:
        visit = booking.book_visit(
            **self.common, location_id=LAKE, client_id=self.client, lines=lines, **more
        )
        self.known.append(visit.id)
        return visit

    def book(self) -> str:
        self.booked(self.line())
        return "booked"

    def move(self) -> str:
        if not self.known:
            return "nothing to do"
        visit_id, line = self.dice.choice(self.known), self.line()
        with reading(BUSINESS):
            visit = Visit.objects.get(id=visit_id)
            service_id = Line.objects.values_list("service_id", flat=True).get(visit_id=visit_id)
        asked = LineRequest(
            service_id=service_id,
            practitioner_id=line.practitioner_id,
            room_id=line.room_id,
            kit_id=uid("brow kit 1") if service_id == uid("brow wax") else None,
            starts_at=line.starts_at,
        )
        # Half of them say which version they saw: it must not be overwritten.
        match = visit.version if self.dice.random() < 0.5 else None
        booking.move_visit(**self.common, visit_id=visit_id, lines=[asked], match=match)
        return "moved"

    def cancel(self) -> str:
        if not self.known:
            return "nothing to do"
        booking.cancel_visit(
            **self.common, visit_id=self.dice.choice(self.known), reason="invented"
        )
        return "cancelled"

    def hold(self) -> str:
        line, common = self.line(), self.common
        hold = holds.hold_time(**common, location_id=LAKE, lines=[line])
        if self.dice.random() < 0.5:
            holds.release_hold(**common, hold_id=hold.id)
            return "held"
        visit = booking.book_visit(
            **common, location_id=LAKE, client_id=self.client, lines=[line], hold_id=hold.id
        )
        self.known.append(visit.id)
        return "booked what was held"

    def ask(self) -> str:
        with reading(BUSINESS):
            found = availability(
                **self.common,
                location_id=LAKE,
                client_id=self.client,
                lines=[LineAsked(service_id=uid("lip wax"))],
                since=SATURDAY,
                until=SATURDAY + timedelta(hours=9),
                limit=3,
            )
        if not found.options:
            return "NothingFree"
        (line,) = self.dice.choice(found.options).lines
        self.booked(
            LineRequest(
                service_id=line.service_id,
                practitioner_id=line.practitioner_id,
                room_id=line.room_id,
                kit_id=line.kit_id,
                starts_at=line.spans.starts_at,
            )
        )
        return "booked what was offered"


def test_sixty_four_desks_on_one_saturday(people, record_property):
    known: list[UUID] = []
    desks = [Desk(n, client, known) for n, client in enumerate(people)]
    until = time.monotonic() + SECONDS
    with ThreadPoolExecutor(THREADS) as pool:
        met = sum(pool.map(lambda desk: desk.run(until), desks), Counter())
    record_property("met", dict(met))
    print(dict(met))
    # On a slow machine a lock may take longer than anybody is made to wait; a deadlock is another thing.
    met.pop(f"busy {errors.LockNotAvailable.sqlstate}", None)
    met.pop("nothing to do", None)
    assert set(met) <= REFUSALS | set(DONE), met
    assert met["booked"] > 0 and met["moved"] > 0 and met["cancelled"] > 0, met
    new = ("booked", "booked what was held", "booked what was offered")
    assert count(BUSINESS, "services_visit") == sum(met[one] for one in new)
    assert count(BUSINESS, "services_visit", "state = 'cancelled'") == met["cancelled"]
    assert count(BUSINESS, "services_visit_change", "kind = 'moved'") == met["moved"]
    # A hold whose booking was refused is still held.
    with reading(BUSINESS):
        left = list(Hold.objects.filter(state="held").values_list("id", flat=True))
    for hold_id in left:
        holds.release_hold(actor=actor("lena"), now=clock.now(), hold_id=hold_id)
    assert flaws(BUSINESS, LAKE, BUSINESS) == []
