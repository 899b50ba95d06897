"""A month as it goes: each room, the soiled corner and the background work are coroutines on one clock.

A coroutine yields the instant at which it goes on. What happens in between is done through the
actions, with that instant as their `now`; dice are seeded, so a month is always the same.
"""

import heapq
import random
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID

from clients.rule_files import shipped_rule_set
from compliance.disinfection import actions as disinfection
from compliance.disinfection.models import Implement
from compliance.disinfection.rules.reprocessing import EventKind
from rooms import actions as rooms
from rooms import queries as room_queries
from services.actions import booking, checkout, consultation, lines, replanning, visit
from services.actions.plans import LineRequest
from services.models import Line
from services.queries.room_board import room_board
from spa_ops.celery import collected_schedule
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Role
from spa_ops.kernel.problems import Problem
from spa_ops.kernel.units import VolumeUnit
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from tests.acceptance.month import scene as at
from tests.acceptance.month.scene import PLACE, Scene, by, instant, uid, worker
from tests.acceptance.month.shelf import APPLICATORS, Box, Shelf
from tests.services.day import GLOVED, WASHED
from tests.world import BUSINESS

Course = Iterator[datetime]
DESK = by(Role.FRONT_DESK, "month desk")
#: A visit takes 22 minutes with set-up and turnover; people come every half hour.
PACE = timedelta(minutes=30)
BLOOD = {"stopped": True, "first_aid": True, "fresh_gloves": True, "waste_bagged": True}
EVERY_SWEEP = timedelta(hours=1)


@dataclass(slots=True)
class Slot:
    """A booked visit as the simulation remembers it."""

    visit_id: UUID
    client: UUID
    room: int
    kit: UUID | None
    service: str
    starts_at: datetime
    who: UUID


@dataclass(slots=True)
class Month:
    """The simulation's own book: what it did, to be compared with what the program says."""

    scene: Scene
    days: int
    a_day: int
    dice: random.Random
    met: Counter[str] = field(default_factory=Counter)
    slots: dict[tuple[int, int], list[Slot]] = field(default_factory=lambda: defaultdict(list))
    soiled: list[UUID] = field(default_factory=list)
    shelf: Shelf = field(default_factory=Shelf)
    #: Kit -> what it went through in order: ("visit", id) it was opened for, ("bath", id) it lay in.
    stories: dict[UUID, list[tuple[str, UUID]]] = field(default_factory=lambda: defaultdict(list))
    #: Seconds between the forecast when the client left and when the room was ready.
    errors: list[float] = field(default_factory=list)
    ends_at: datetime = at.EVE

    def run(self) -> None:
        """Let the month happen."""
        self.ends_at = instant(self.days - 1, 23)
        self.shelf.fill(at.EVE, boxes=2 * at.ROOMS + self.days * self.a_day)
        tie = count()
        waiting: list[tuple[datetime, int, Course]] = []

        def go_on(course: Course) -> None:
            then = next(course, None)
            if then is not None:
                heapq.heappush(waiting, (then, next(tie), course))

        for course in (
            self.background(),
            self.corner(),
            self.counts(),
            *(self.desk(day) for day in range(self.days)),
            *(self.room(r, day) for day in range(self.days) for r in range(at.ROOMS)),
        ):
            go_on(course)
        while waiting:
            self.now, _, course = heapq.heappop(waiting)
            with clock.stopped_at(self.now):
                go_on(course)

    now: datetime = at.EVE

    def after(self, low: float, high: float) -> datetime:
        """Some time later, in seconds."""
        return self.now + timedelta(seconds=self.dice.uniform(low, high))

    def chance(self, share: float) -> bool:
        return self.dice.random() < share

    # --- the front desk -------------------------------------------------------------------------

    def desk(self, day: int) -> Course:
        """The evening before, everybody of the day is booked: so many in each room, one each half hour."""
        yield instant(day - 1, 20) + timedelta(seconds=day)
        for number in range(self.a_day):
            for room in range(at.ROOMS):
                self.book(day, number, room)

    def book(self, day: int, number: int, room: int) -> None:
        # Two shifts of up to 14 half hours; between them the room changes hands.
        in_shift = (self.a_day + 1) // 2
        late = number >= in_shift
        starts_at = instant(day, 14 if late else 7, 35 if late else 5) + number % in_shift * PACE
        turn, kinds = self.met["booked"], list(at.SERVICES)
        # Whoever comes again has another area done: one has grown too little by then.
        service = kinds[(turn + turn // len(self.scene.clients)) % len(kinds)]
        kit = None
        if at.SERVICES[service][3]:
            kit = self.scene.kits[self.met["with a kit"] % at.KITS]
            self.met["with a kit"] += 1
        who = self.scene.practitioner(room, late=late)
        client = self.scene.clients[turn % len(self.scene.clients)]
        made = booking.book_visit(
            actor=DESK,
            now=self.now,
            location_id=PLACE,
            client_id=client,
            lines=[
                LineRequest(
                    service_id=uid(service),
                    practitioner_id=who,
                    room_id=self.scene.rooms[room],
                    kit_id=kit,
                    starts_at=starts_at,
                )
            ],
        )
        self.met["booked"] += 1
        slot = Slot(made.id, client, room, kit, service, starts_at, who)
        self.slots[day, room].append(slot)

    # --- a room ---------------------------------------------------------------------------------

    def room(self, number: int, day: int) -> Course:
        """A room's day: made ready, then one client after the other."""
        yield instant(day, 6, 20) + timedelta(seconds=number)
        room = self.scene.rooms[number]
        opener = self.scene.practitioner(number, late=False)
        yield from self.turn_over(room, opener, forecast=None)
        for slot in sorted(self.slots[day, number], key=lambda s: s.starts_at):
            yield max(self.now, slot.starts_at - timedelta(minutes=2))
            if self.chance(0.02):
                booking.cancel_visit(actor=DESK, now=self.now, visit_id=slot.visit_id)
                self.met["cancelled"] += 1
            elif self.chance(0.03):
                yield max(self.now, slot.starts_at) + timedelta(minutes=9)
                booking.record_no_show(actor=DESK, now=self.now, visit_id=slot.visit_id)
                self.met["did not come"] += 1
            else:
                yield from self.attend(slot)

    def attend(self, slot: Slot) -> Course:
        """One client from the door to the door, then the room's way back."""
        common = {"visit_id": slot.visit_id}
        visit.record_arrival(actor=DESK, now=self.now, **common)
        yield self.after(30, 180)
        seated = visit.seat_client(actor=worker(slot.who), now=self.now, **common)
        if slot.kit is not None:
            self.stories[slot.kit].append(("visit", slot.visit_id))
        yield self.after(60, 170)
        line = self.line_of(slot)
        area = at.SERVICES[slot.service][0]
        boxes = self.shelf.made_ready(self.now, slot.room, slot.who, area)
        may = self.consult(slot)
        if may and (yield from self.work(slot, line, boxes)):
            self.met["treated"] += 1
            self.shelf.waste(self.dice, slot.room)
        else:
            replanning.decline_line(
                actor=worker(slot.who), now=self.now, line_id=line, reason="invented"
            )
            self.met["not treated"] += 1
        assert seated.room_id is not None
        yield self.after(40, 120)
        visit.record_leaving(actor=DESK, now=self.now, **common)
        if slot.kit is not None:
            self.soiled.append(slot.kit)
        forecast = self.forecast(seated.room_id)
        self.settle(slot)
        yield from self.turn_over(seated.room_id, slot.who, forecast=forecast)

    def line_of(self, slot: Slot) -> UUID:
        with reading(BUSINESS):
            return Line.objects.values_list("id", flat=True).get(visit_id=slot.visit_id)

    def consult(self, slot: Slot) -> bool:
        """Ask and look; now and then something stands against the service."""
        area = at.SERVICES[slot.service][0]
        against = self.chance(0.02)
        questions = shipped_rule_set().questions_for("hard_wax", area)
        held = consultation.hold_consultation(
            actor=worker(slot.who),
            now=self.now,
            visit_id=slot.visit_id,
            answers=[{"question": q.id, "answer": "no"} for q in questions],
            findings=[
                {"code": "hair_length", "areas": [area], "millimetres": "2" if against else "8"}
            ],
        )
        assert held.id == slot.visit_id
        return not against

    def work(self, slot: Slot, line: UUID, boxes: list[Box]) -> Iterator[Any]:
        """Start, work, finish; whether it came to that. A kit that is not cleared stops it."""
        me = worker(slot.who)
        try:
            lines.start_line(actor=me, now=self.now, line_id=line, confirmed=GLOVED)
        except Problem as problem:
            self.met[f"not started: {type(problem).__name__}"] += 1
            return False
        area, hands_on = at.SERVICES[slot.service][0], at.SERVICES[slot.service][1] * 60
        laid_out = APPLICATORS[area][1]
        yield self.after(0.7 * hands_on, 1.1 * hands_on)
        if self.chance(0.01):
            lines.record_blood(actor=me, now=self.now, line_id=line, confirmed=BLOOD)
            yield self.after(60, 200)
            lines.record_bleeding_stopped(actor=me, now=self.now, line_id=line)
            self.met["blood"] += 1
            if slot.kit is None:
                lines.start_line(actor=me, now=self.now, line_id=line, confirmed=GLOVED)
            else:
                # What touched blood touches nobody any more; the rest of the work is for another day.
                lines.stop_line(actor=me, now=self.now, line_id=line, reason="invented")
                # Nobody wrote down how much it was: as much as was laid out.
                self.shelf.use(boxes, slot.visit_id, area, laid_out)
                return True
        applicators = self.dice.randint(2, laid_out)
        record = {
            "method": "hard_wax", "areas": [area], "sections": laid_out // 2, "applicators": applicators,
            "products": [], "reaction": "slight redness", "aftercare": "no sun for 24 h",
            "client_content": True,
        }  # fmt: skip
        lines.finish_line(actor=me, now=self.now, line_id=line, record=record, confirmed=WASHED)
        self.shelf.use(boxes, slot.visit_id, area, applicators)
        return True

    def settle(self, slot: Slot) -> None:
        """Pay and check out; what was never begun is taken off the visit first."""
        with reading(BUSINESS):
            line = Line.objects.get(visit_id=slot.visit_id)
        if line.started_at is None:
            return
        checkout.take_payment(
            actor=DESK, now=self.now, visit_id=slot.visit_id, means="cash",
            amount_minor=line.price_minor, currency="USD",
        )  # fmt: skip
        checkout.check_out(actor=DESK, now=self.now, visit_id=slot.visit_id)
        self.met["checked out"] += 1

    def forecast(self, room: UUID) -> datetime:
        """When the board says the room will be ready."""
        with reading(BUSINESS):
            board = room_board(tenancy.location(PLACE, DESK), self.now)
        return next(one["ready_at"] for one in board["rooms"] if one["room_id"] == room)

    def turn_over(self, room: UUID, who: UUID, *, forecast: datetime | None) -> Course:
        """Every step in its order and time; now and then the wet time is cut short and done again."""
        me = worker(who)
        yield self.after(5, 90)
        rooms.begin_turnover(actor=me, now=self.now, room_id=room, product_id=uid("month surface"))
        with reading(BUSINESS):
            place = tenancy.location(PLACE, me)
            steps = room_queries.plan_for(place, self.now.astimezone(at.ZONE).date()).steps
        for step in steps:
            if not step.required:
                continue
            if not step.wet:
                yield self.after(15, 30)
                rooms.record_step(actor=me, now=self.now, room_id=room, code=step.code)
                continue
            if self.chance(0.03):
                wet_from, self.met["dried early"] = self.now, self.met["dried early"] + 1
                yield self.now + timedelta(seconds=at.WET - 1)
                rooms.record_step(
                    actor=me, now=self.now, room_id=room, code=step.code, wet_from=wet_from
                )
            wet_from = self.now
            yield self.after(at.WET, at.WET + 30)
            rooms.record_step(
                actor=me, now=self.now, room_id=room, code=step.code, wet_from=wet_from
            )
        yield self.after(1, 10)
        rooms.finish_turnover(actor=me, now=self.now, room_id=room)
        self.met["turned over"] += 1
        if forecast is not None:
            self.errors.append((self.now - forecast).total_seconds())

    # --- the soiled corner ----------------------------------------------------------------------

    def corner(self) -> Course:
        """Whoever is free brings the soiled kits back in batches, with a fresh jar each morning."""
        self.soiled += self.scene.kits
        for day in range(self.days):
            yield instant(day, 6)
            jar = self.mix(f"jar of day {day}")
            closing = instant(day, 22)
            while self.now < closing - timedelta(minutes=20):
                batch, self.soiled = self.soiled, []
                if batch:
                    yield from self.bring_back(batch, jar)
                yield self.now + timedelta(minutes=3)

    def mix(self, container: str) -> UUID:
        return disinfection.mix_solution(
            actor=worker(uid("month worker 0")),
            now=self.now,
            location_id=PLACE,
            product_id=uid("month soak"),
            container=container,
            concentrate=(60, VolumeUnit.MILLILITRE),
            water=(960, VolumeUnit.MILLILITRE),
        ).id

    def bring_back(self, kits: list[UUID], jar: UUID) -> Course:
        """Wash, rinse, dry, soak, rinse, dry, store; a batch lifted a second early goes in again.

        Now and then nobody looks, and it is stored as if it were clean.
        """
        early, unseen = self.chance(0.03), self.chance(0.02)
        short = early or unseen
        soak = [(EventKind.IMMERSED, at.SOAK - 1 if short else at.SOAK + 5), (EventKind.LIFTED, 20)]
        if unseen:
            self.met["stored though lifted early"] += 1
        elif early:
            self.met["lifted early"] += 1
            soak += [(EventKind.DRIED, 10), (EventKind.IMMERSED, at.SOAK), (EventKind.LIFTED, 20)]
        steps = [
            (EventKind.WASHED, 40), (EventKind.RINSED, 20), (EventKind.DRIED, 20), *soak,
            (EventKind.RINSED, 20), (EventKind.DRIED, 20), (EventKind.STORED, 0),
        ]  # fmt: skip
        me = worker(uid("month worker 0"))
        for kind, seconds in steps:
            # One after the other within the step; what goes in last starts the time of all anew.
            for kit in kits:
                said: dict[str, Any] = {}
                if kind is EventKind.IMMERSED:
                    said = {"agent_id": jar, "fully_open": True}
                    self.stories[kit].append(("bath", jar))
                elif kind is EventKind.STORED:
                    said = {"covered": True}
                disinfection.record_reprocessing(
                    actor=me, now=self.now, kit_id=kit, kind=kind, **said
                )
            yield self.now + timedelta(seconds=seconds)
        with reading(BUSINESS):
            states = set(
                Implement.objects.filter(kit__in=kits).values_list("state", "flaw").distinct()
            )
        assert (states == {("ready", "")}) is not unseen, states
        self.met["kits brought back"] += len(kits)

    def counts(self) -> Course:
        """Everything is counted in the middle of a Wednesday's work, and at the very end."""
        for day in range(2, self.days, 7):
            yield instant(day, 13, 17)
            self.shelf.count(self.now)
        yield self.ends_at + timedelta(minutes=40)
        self.shelf.count(self.now)

    # --- the background -------------------------------------------------------------------------

    def background(self) -> Course:
        """Every task that beat would announce, each hour, in this process."""
        tasks = [_task(entry["task"]) for entry in collected_schedule().values()]
        for day in range(self.days):
            yield instant(day, 6, 5)
            while self.now < instant(day, 23):
                for task in tasks:
                    task()
                self.met["sweeps"] += 1
                yield self.now + EVERY_SWEEP


def _task(name: str) -> Callable[[], Any]:
    from spa_ops.celery import app

    app.loader.import_default_modules()
    return app.tasks[name]
