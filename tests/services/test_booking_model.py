"""Booking, holding, moving, cancelling and time going by, against a model in plain Python.

The model keeps who and what is taken from when to when as a list, and knows nothing of claims,
locks or constraints; each refusal must be the one that it foretells, and change nothing.
"""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connection, transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from services.actions import booking, holds
from services.actions.plans import LineRequest
from services.models import Service
from services.problems import HeldByAnother, HoldOver, InThePast, TooManyHolds
from services.queries.turnover_time import least_clean_up
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.problems import Problem, WrongState
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from tests.world import BUSINESS, LAKE, actor, uid

#: Noon in Chicago: from here on nobody but the practitioners sets up and turns over.
NOON = datetime(2026, 5, 6, 17, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOLD_MINUTES, MOST_HOLDS = 5, 5
Span = tuple[UUID, datetime, datetime]

clients = st.sampled_from(["cora", "celia", "hugo"])
desks = st.sampled_from(["freya", "lena"])
plans = st.fixed_dictionaries(
    {
        "who": st.sampled_from(["petra", "lena"]),
        "room": st.sampled_from(["room 1", "room 2"]),
        "kit": st.sampled_from(["brow kit 1", "brow kit 2"]),
        # Close together, so that most meet another; the first soon lie in the past.
        "minutes": st.integers(1, 40).map(lambda n: 5 * n),
    }
)


class Model(RuleBasedStateMachine):
    visits, kept = Bundle("visits"), Bundle("kept")

    def __init__(self) -> None:
        super().__init__()
        self.place = transaction.savepoint()
        self.now = NOON
        #: Plan -> what it has taken.
        self.taken: dict[UUID, list[Span]] = {}
        self.states: dict[UUID, str] = {}
        self.starts: dict[UUID, datetime] = {}
        #: Hold -> who holds it, until when, and of what.
        self.held: dict[UUID, tuple[str, datetime, dict[str, Any]]] = {}
        self.ended: set[UUID] = set()

    def teardown(self) -> None:
        transaction.savepoint_rollback(self.place)

    @initialize()
    def read_the_price_list(self) -> None:
        with reading(BUSINESS):
            self.brow, self.lip = (
                Service.objects.get(id=uid(name)) for name in ("brow wax", "lip wax")
            )
            # No turnover is planned shorter than its steps and the label's wet time.
            self.least = least_clean_up(Location.objects.get(id=LAKE), NOON)

    # What the model says.

    def spans(self, plan: dict[str, Any], client: str | None) -> list[Span]:
        """A brow and then a lip in one room: one consultation, one set-up, one turnover."""
        brow, lip = self.brow, self.lip
        start = self.start(plan)
        minutes = brow.consultation_minutes + brow.hands_on_minutes + brow.aftercare_minutes
        brow_end = start + minutes * MINUTE
        end = brow_end + (lip.hands_on_minutes + lip.aftercare_minutes) * MINUTE
        before = start - max(brow.set_up_minutes, lip.set_up_minutes) * MINUTE
        after = end + max(brow.clean_up_minutes, lip.clean_up_minutes, self.least) * MINUTE
        busy = [(uid(plan[what]), before, after) for what in ("who", "room")]
        # The kit is the brow's alone: it is away from the set-up to the end of that line.
        busy.append((uid(plan["kit"]), before, brow_end))
        return [*busy, *([(uid(client), start, end)] if client else [])]

    def start(self, plan: dict[str, Any]) -> datetime:
        return NOON + plan["minutes"] * MINUTE

    def live(self) -> dict[UUID, list[Span]]:
        """What is taken now: an expired hold is nobody's."""
        over = {h for h, (_, until, _) in self.held.items() if until <= self.now}
        return {plan: spans for plan, spans in self.taken.items() if plan not in over}

    def clash(self, spans: list[Span], without: UUID | None = None) -> bool:
        others = [s for plan, mine in self.live().items() if plan != without for s in mine]
        return any(a == b and x < w and v < y for a, x, y in spans for b, v, w in others)

    # What the program is asked.

    def lines(self, plan: dict[str, Any]) -> list[LineRequest]:
        same = {"practitioner_id": uid(plan["who"]), "room_id": uid(plan["room"])}
        return [
            LineRequest(
                service_id=self.brow.id, kit_id=uid(plan["kit"]), starts_at=self.start(plan), **same
            ),
            LineRequest(service_id=self.lip.id, **same),
        ]

    def asked(self, expected: type[Problem] | None, action: Any, **arguments: Any) -> Any:
        """The row, or None where the refusal that was foretold came."""
        try:
            found = action(now=self.now, **arguments)
        except Problem as problem:
            assert type(problem) is expected, (problem, expected)
            return None
        assert expected is None, f"{expected} was expected"
        return found

    @rule(target=visits, plan=plans, client=clients)
    def book(self, plan, client):
        return self.book_plan(plan, client)

    def book_plan(self, plan: dict[str, Any], client: str) -> Any:
        spans = self.spans(plan, client)
        expected = (
            InThePast if self.start(plan) < self.now else ClaimClash if self.clash(spans) else None
        )
        row = self.asked(
            expected, booking.book_visit, actor=actor("olga"), location_id=LAKE,
            client_id=uid(client), lines=self.lines(plan),
        )  # fmt: skip
        return multiple() if row is None else self.booked(row, plan, client)

    @rule(target=visits, hold_id=kept, client=clients)
    def book_what_was_held(self, hold_id, client):
        """By somebody else: while it is held in vain, and once it ran out at once."""
        return self.book_plan(self.held[hold_id][2], client)

    def booked(self, row: Any, plan: dict[str, Any], client: str) -> tuple[UUID, str]:
        self.taken[row.id] = self.spans(plan, client)
        self.states[row.id], self.starts[row.id] = "booked", self.start(plan)
        return row.id, client

    @rule(target=kept, plan=plans, client=st.none() | clients, desk=desks)
    def hold(self, plan, client, desk):
        spans = self.spans(plan, client)
        mine = [h for h, (who, until, _) in self.held.items() if who == desk and until > self.now and h not in self.ended]  # fmt: skip
        if self.start(plan) < self.now:
            expected = InThePast
        elif len(mine) >= MOST_HOLDS:
            expected = TooManyHolds
        else:
            expected = ClaimClash if self.clash(spans) else None
        row = self.asked(
            expected, holds.hold_time, actor=actor(desk), location_id=LAKE, lines=self.lines(plan),
            client_id=uid(client) if client else None,
        )  # fmt: skip
        if row is None:
            return multiple()
        self.held[row.id] = (desk, self.now + HOLD_MINUTES * MINUTE, plan)
        self.taken[row.id] = spans
        return row.id

    def of_hold(self, hold_id: UUID, desk: str, *, lead_may: bool) -> type[Problem] | None:
        holder, until, _ = self.held[hold_id]
        if hold_id in self.ended or until <= self.now:
            return HoldOver
        return None if holder == desk or (lead_may and desk == "lena") else HeldByAnother

    @rule(target=visits, hold_id=kept, client=clients, desk=desks)
    def confirm(self, hold_id, client, desk):
        _, _, plan = self.held[hold_id]
        expected = self.of_hold(hold_id, desk, lead_may=False)
        if self.start(plan) < self.now:
            expected = InThePast
        elif expected is None and self.clash(self.spans(plan, client), without=hold_id):
            expected = ClaimClash
        row = self.asked(
            expected, booking.book_visit, actor=actor(desk), location_id=LAKE, hold_id=hold_id,
            client_id=uid(client), lines=self.lines(plan),
        )  # fmt: skip
        if row is None:
            return multiple()
        self.ended.add(hold_id)
        del self.taken[hold_id]
        return self.booked(row, plan, client)

    @rule(hold_id=kept, desk=desks)
    def release(self, hold_id, desk):
        expected = self.of_hold(hold_id, desk, lead_may=True)
        if self.asked(expected, holds.release_hold, actor=actor(desk), hold_id=hold_id):
            self.ended.add(hold_id)
            del self.taken[hold_id]

    @rule(visit=visits, plan=plans)
    def move(self, visit, plan):
        visit_id, client = visit
        spans = self.spans(plan, client)
        if self.states[visit_id] != "booked":
            expected = WrongState
        elif self.start(plan) < self.now:
            expected = InThePast
        else:
            expected = ClaimClash if self.clash(spans, without=visit_id) else None
        moved = self.asked(
            expected, booking.move_visit, actor=actor("lena"), visit_id=visit_id, lines=self.lines(plan)
        )  # fmt: skip
        if moved:
            self.taken[visit_id], self.starts[visit_id] = spans, self.start(plan)

    @rule(visit=visits)
    def cancel(self, visit):
        self.end(visit[0], "cancelled", booking.cancel_visit)

    @rule(visit=visits)
    def no_show(self, visit):
        self.end(visit[0], "no_show", booking.record_no_show)

    def end(self, visit_id: UUID, state: str, action: Any) -> None:
        early = state == "no_show" and self.now < self.starts[visit_id]
        expected = WrongState if early or self.states[visit_id] != "booked" else None
        if self.asked(expected, action, actor=actor("lena"), visit_id=visit_id):
            self.states[visit_id] = state
            del self.taken[visit_id]

    @rule(minutes=st.sampled_from([1, 2, HOLD_MINUTES - 1, HOLD_MINUTES]))
    def time_goes_by(self, minutes):
        self.now += minutes * MINUTE

    @rule()
    def sweep(self):
        holds.sweep_holds(actor=actor("olga"), now=self.now)

    @invariant()
    def what_is_claimed_is_what_the_model_says(self):
        expected = {
            (plan, who, start, end)
            for plan, spans in self.live().items()
            for who, start, end in spans
        }
        with reading(BUSINESS), connection.cursor() as cursor:
            cursor.execute(
                "SELECT c.visit_id, c.bookable_id, lower(s), upper(s) FROM (SELECT visit_id, "
                "bookable_id, range_agg(span) AS spans FROM claims_claim "
                "WHERE hold_expires_at IS NULL OR hold_expires_at > %s GROUP BY 1, 2) c, "
                "unnest(c.spans) s",
                [self.now],
            )
            assert set(cursor.fetchall()) == expected
            cursor.execute(
                "SELECT a.id FROM claims_claim a JOIN claims_claim b ON a.bookable_id = b.bookable_id "
                "AND a.id < b.id AND a.span && b.span"
            )
            assert cursor.fetchall() == []


def test_whatever_is_asked_in_whatever_order_the_model_foretells_it(db):
    run_state_machine_as_test(
        Model,
        settings=settings(
            max_examples=15,
            stateful_step_count=40,
            suppress_health_check=list(HealthCheck),
        ),
    )
