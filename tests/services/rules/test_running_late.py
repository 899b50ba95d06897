"""Running late: against a day played out minute by minute, and by hand."""

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid5

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.rules.running_late import (
    Late,
    LineFacts,
    Planned,
    late_by_itself,
    lateness,
    spare_minutes,
)
from spa_ops.kernel.intervals import Period

SPACE = UUID("5ba00000-0000-4000-8000-00000000a7e0")
NINE = datetime(2026, 8, 3, 14, tzinfo=UTC)
PETRA, ROOM, KIT = (uuid5(SPACE, name) for name in ("petra", "room", "kit"))


def at(first, end):
    return Period(NINE + timedelta(minutes=first), NINE + timedelta(minutes=end))


def plan(name, *taken):
    return Planned(id=uuid5(SPACE, name), taken=tuple((who, at(*span)) for who, span in taken))


A, B, C = (uuid5(SPACE, name) for name in "abc")


def test_free_time_between_two_plans_takes_up_minutes():
    day = [
        plan("a", (PETRA, (0, 30)), (ROOM, (0, 40))),
        plan("b", (PETRA, (30, 60)), (ROOM, (45, 80))),
        plan("c", (PETRA, (80, 100))),
    ]
    assert lateness(day, {A: 25}) == {
        A: Late(minutes=25),
        B: Late(minutes=25, after=A, waits_for=PETRA),
        C: Late(minutes=5, after=B, waits_for=PETRA),
    }
    assert spare_minutes(day, A) == {B: 0, C: 20}
    assert lateness(day, {A: 0}) == lateness(day, {}) == lateness([], {}) == {}


def test_a_visit_that_is_late_by_itself_is_not_made_less_so():
    day = [plan("a", (PETRA, (0, 30))), plan("b", (PETRA, (30, 60)))]
    assert lateness(day, {A: 5, B: 12})[B] == Late(minutes=12)
    assert lateness(day, {A: 15, B: 12})[B] == Late(minutes=15, after=A, waits_for=PETRA)


def test_two_visits_that_wait_for_each_other_in_turn():
    # A needs the kit after B, and B needs Petra after A: A's own lateness never grows by it.
    day = [plan("a", (PETRA, (0, 30)), (KIT, (60, 80))), plan("b", (PETRA, (30, 50)), (KIT, (30, 55)))]  # fmt: skip
    assert lateness(day, {A: 20}) == {A: Late(minutes=20), B: Late(minutes=20, after=A, waits_for=PETRA)}  # fmt: skip


@st.composite
def days(draw):
    """A day in which nobody and nothing is taken twice, as the database's constraint keeps it."""
    free = dict.fromkeys((PETRA, ROOM, KIT), 0)
    found = []
    for n in range(draw(st.integers(1, 7))):
        taken, start = [], draw(st.integers(0, 20)) + min(free.values())
        for thing in draw(st.lists(st.sampled_from([PETRA, ROOM, KIT]), min_size=1, unique=True)):
            first = max(free[thing], start)
            end = first + draw(st.integers(5, 30))
            taken.append((thing, (first, end)))
            free[thing] = end
        found.append(plan(f"visit {n}", *taken))
    return found


def played_out(day, late):
    """Push visits that meet another's time by one minute at a time, until nothing meets."""
    delay = {p.id: late.get(p.id, 0) for p in day}
    pairs = [
        (p.id, q.id, span.end, other.start)
        for p in day
        for thing, span in p.taken
        for q in day
        for same, other in q.taken
        if p.id != q.id and same == thing and span.end <= other.start
    ]
    moved = True
    while moved:
        moved = False
        for one, other, end, start in pairs:
            if end + timedelta(minutes=delay[one]) > start + timedelta(minutes=delay[other]):
                delay[other] += 1
                moved = True
    return {visit: minutes for visit, minutes in delay.items() if minutes}


@settings(deadline=None)
@given(days(), st.data())
def test_what_is_foretold_is_what_happens_minute_by_minute(day, data):
    late = {p.id: data.draw(st.integers(0, 40)) for p in day if data.draw(st.booleans())}
    found = lateness(day, late)
    assert {visit: how.minutes for visit, how in found.items()} == played_out(day, late)
    for how in found.values():
        assert (how.after is None) == (how.waits_for is None)


@settings(deadline=None)
@given(days(), st.integers(0, 60))
def test_spare_minutes_tell_every_lateness(day, minutes):
    first = day[0].id
    spare = spare_minutes(day, first)
    expected = {other: minutes - s for other, s in spare.items() if minutes > s}
    found = {v: how.minutes for v, how in lateness(day, {first: minutes}).items() if v != first}
    assert found == expected


def facts(first, started=None, over=False):
    """A line of 30 minutes: 5 of consultation, 20 of work, 5 of aftercare."""
    when = [NINE + timedelta(minutes=first + m) for m in (5, 25, 30)]
    begun = None if started is None else NINE + timedelta(minutes=started)
    return LineFacts(hands_on_at=when[0], aftercare_at=when[1], ends_at=when[2], started_at=begun, is_over=over)  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "now", "in_room", "late"),
    [
        ([facts(0)], -10, False, 0),
        ([facts(0)], 0, False, 0),
        ([facts(0)], 0.5, False, 1),
        ([facts(0)], 12, False, 12),
        ([facts(0)], 4, True, 0),
        ([facts(0)], 11, True, 6),
        ([facts(0, started=5)], 20, True, 0),
        ([facts(0, started=14)], 20, True, 9),
        ([facts(0, started=5)], 31, True, 6),
        ([facts(0, started=14)], 31, True, 9),
        ([facts(0, started=5, over=True), facts(30)], 34, True, 0),
        ([facts(0, started=5, over=True), facts(30)], 45, True, 10),
        ([facts(0, started=5, over=True)], 28, True, 0),
        ([facts(0, started=5, over=True)], 33, True, 3),
        ([], 33, True, 0),
    ],
)
def test_how_late_a_visit_is_by_itself(lines, now, in_room, late):
    at_now = NINE + timedelta(minutes=now)
    assert late_by_itself(NINE, lines, at_now, is_in_room=in_room) == late
