"""The exact search against one that looks at every start and every span, with no bits in it."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given

from services.rules.availability.layouts import orders_of
from services.rules.availability.masks import Masks
from services.rules.availability.model import (
    Change,
    Kit,
    Practitioner,
    Question,
    Room,
    WantedLine,
    WhatIf,
    Why,
)
from services.rules.availability.reasons import day_reasons, what_ifs
from services.rules.availability.search import options
from services.rules.buffers import Buffer
from services.rules.phases import Minutes
from services.rules.shifts import Weekly
from spa_ops.kernel.intervals import Period, at_local, local_day
from spa_ops.tenancy.rules import open_periods
from tests.services.rules.availability_cases import WHOLE, questions, span
from tests.services.rules.plain_availability import MINUTE, back_at, meets, plain_options

NEW = UUID(int=0)
#: The reasons in the order in which they are asked, and the plain search's name of each check.
ORDER = [
    (Why.CLOSED, "open"), (Why.SCREENING, "screening"), (Why.NO_ONE_LICENSED, "licence"),
    (Why.NO_ONE_ON_SHIFT, "shift"),
    (Why.ROOMS_BUSY, "rooms"), (Why.KITS_AWAY, "kits"), (Why.PRACTITIONERS_BUSY, "crew"),
    (Why.CLIENT_BUSY, "client"),
]  # fmt: skip


@given(questions())
def test_the_same_starts_each_in_the_same_best_way(question):
    expected = plain_options(question)
    found = options(question, limit=1000)
    assert [o.starts_at for o in found] == sorted(expected)
    for option in found:
        way = expected[option.starts_at]
        assert tuple(x.practitioner_id for x in option.lines) == way.crew
        assert tuple(x.room_id for x in option.lines) == way.rooms
        assert {x.kit_id for x in option.lines} - {None} == {kit for _, kit in way.kits}
        assert tuple((x.set_up_by, x.turnover_by) for x in option.lines) == way.doers
        assert tuple(x.spans for x in option.lines) == way.spans
        assert (option.waste_minutes, option.is_usual) == (way.waste, not way.unusual)
    assert options(question, limit=2) == found[:2]


def left_by(question, checks):
    """The starts that the first `checks` checks leave."""
    without = frozenset(name for _, name in ORDER[checks:])
    found = set(plain_options(question, without))
    if {"crew"} <= without and "shift" not in without:
        # Idle attendants choose otherwise: who is free in earnest counts as on shift, too.
        found |= set(plain_options(question, without - {"crew"}))
    return found


@given(questions())
def test_each_reason_is_the_first_check_that_leaves_no_start_of_that_day(question):
    expected = plain_options(question)
    days = [span(n, n + 120) for n in range(0, 600, 120)]
    empty = [d for d in days if not any(d.start <= s < d.end for s in expected)]
    reasons = day_reasons(Masks(question=question), empty)
    assert [r.day for r in reasons] == empty
    for reason in reasons:
        number = next((n for n, (why, _) in enumerate(ORDER) if why is reason.why), None)
        if reason.why is Why.NOT_IN_PERIOD:
            continue
        # What no day has: not even with every check left out is there a way.
        if number is None or (question.any_order and not orders_of(question)):
            assert not left_by(question, 0), reason
            continue
        still = {s for s in left_by(question, number + 1) if reason.day.start <= s < reason.day.end}
        assert not still, reason
        before = {s for s in left_by(question, number) if reason.day.start <= s < reason.day.end}
        assert before or reason.why is Why.CLOSED, reason
        # With own minutes there is more than one length, and the first that fits is told.
        if before and len(question.lines) == 1 and not question.lines[0].own_minutes:
            until_is_true(question, reason, min(before))


def until_is_true(question, reason, start):
    """One line: the thing is there from `until` on for as long as it takes, and not before."""
    (line,) = question.lines
    m = line.minutes
    service = (m.consultation + m.hands_on + m.unattended + m.aftercare) * MINUTE
    first, length = start - m.set_up * MINUTE, service + (m.set_up + m.clean_up) * MINUTE

    def free(at):
        if reason.why is Why.SCREENING:
            return any(s.start <= at < s.end for s in line.may_start)
        things = (
            [k for k in question.kits if k.kind == line.kit_kind]
            if reason.why is Why.KITS_AWAY
            else [
                r for r in question.rooms
                if line.room_id in {None, r.id} and line.room_features <= r.features
            ]
        )  # fmt: skip
        end = at + length
        if reason.why is Why.KITS_AWAY and question.way_back.is_planned:
            end = back_at(question.way_back, end, 1)
        return any(
            not meets(t.busy, at - b.before * MINUTE, end + b.after * MINUTE)
            and end + b.after * MINUTE <= question.horizon
            for t in things
            for b in [getattr(t, "buffer", Buffer())]
        )

    if reason.why in {Why.SCREENING, Why.ROOMS_BUSY, Why.KITS_AWAY}:
        at = start if reason.why is Why.SCREENING else first
        last = reason.until or question.horizon - length
        while at < last:
            assert not free(at)
            at += MINUTE
        assert reason.until is None or free(reason.until)
    else:
        assert reason.until is None


@given(questions())
def test_every_change_opens_exactly_the_start_it_names(question):
    if plain_options(question):
        return
    found = what_ifs(Masks(question=question))
    assert [w.opens_at for w in found] == sorted(w.opens_at for w in found)
    for what in found:
        opened = plain_options(changed(question, what))
        assert min(opened) == what.opens_at
    if Change.ROOM_ADDED not in {w.change for w in found} and any(
        line.room_id is None for line in question.lines
    ):
        every = frozenset().union(*(line.room_features for line in question.lines))
        more = replace(question, rooms=(*question.rooms, Room(id=NEW, features=every)))
        assert not plain_options(more)
    # What is not named opens nothing.
    for n in range(len(question.lines) if len(question.lines) > 1 else 0):
        if Change.LINE_DROPPED not in {w.change for w in found}:
            assert not plain_options(without_line(question, n))
    for change in {Change.ANY_PRACTITIONER, Change.ANY_ROOM, Change.CLIENT_FREED} - {
        w.change for w in found
    }:
        what = WhatIf(change=change, opens_at=question.period.start)
        assert not plain_options(changed(question, what))


def with_lines(question, *lines):
    return replace(question, lines=tuple(lines))


def without_line(question, n):
    """The lines behind it move up a place, and so do the pairs that may not be."""
    pairs = {pair for pair in question.not_before if n not in pair}
    up = frozenset((a - (a > n), b - (b > n)) for a, b in pairs)
    rest = with_lines(question, *question.lines[:n], *question.lines[n + 1 :])
    return replace(rest, not_before=up)


def changed(question, what):
    """The question with the change made, as its words say."""

    def freed(things):
        return tuple(replace(t, busy=()) if t.id == what.subject_id else t for t in things)

    match what.change:
        case Change.ROOM_ADDED:
            every = frozenset().union(*(line.room_features for line in question.lines))
            return replace(question, rooms=(*question.rooms, Room(id=NEW, features=every)))
        case Change.ROOM_FREED:
            return replace(question, rooms=freed(question.rooms))
        case Change.KIT_ADDED:
            return replace(question, kits=(*question.kits, Kit(id=NEW, kind=what.kit_kind)))
        case Change.PRACTITIONER_ADDED:
            covers = {line.service_id: WHOLE for line in question.lines}
            new = Practitioner(id=NEW, covers=covers, on_shift=WHOLE)
            return replace(question, practitioners=(*question.practitioners, new))
        case Change.PRACTITIONER_FREED:
            return replace(question, practitioners=freed(question.practitioners))
        case Change.CLIENT_FREED:
            return replace(question, client_busy=())
        case Change.ANY_PRACTITIONER:
            return with_lines(
                question,
                *(x if x.is_bound else replace(x, practitioner_id=None) for x in question.lines),
            )
        case Change.ANY_ROOM:
            return with_lines(question, *(replace(x, room_id=None) for x in question.lines))
        case Change.ANY_ORDER:
            return replace(question, any_order=True)
        case Change.LINE_DROPPED:
            return min(
                (
                    without_line(question, n)
                    for n, line in enumerate(question.lines)
                    if line.service_id == what.subject_id
                ),
                key=lambda q: min(plain_options(q), default=question.horizon),
            )
        case Change.LATER_DAY:
            return replace(question, period=Period(question.period.start, question.horizon))


def at_place(zone, day, opens, closes, weekdays=("mon", "tue", "wed", "thu", "fri", "sat", "sun")):
    """A question for one line of an hour at a place with one of everything, on the local `day`."""
    whole = local_day(day, zone)
    days = [day + timedelta(days=n) for n in (-1, 0, 1)]
    hours = {name: [[opens, closes]] for name in weekdays}
    shifts = [
        Weekly(weekday=n, starts=time.fromisoformat(opens), ends=time.fromisoformat(closes),
               valid_from=day - timedelta(days=9), valid_until=None, zone=zone)
        for n in range(7)
    ]  # fmt: skip
    service, room, who = UUID(int=900), UUID(int=101), UUID(int=1)
    reach = Period(whole.start - timedelta(days=1), whole.end + timedelta(days=1))
    return Question(
        period=whole, now=whole.start, horizon=reach.end,
        lines=(
            WantedLine(
                service_id=service,
                minutes=Minutes(set_up=0, consultation=0, hands_on=60, aftercare=0, clean_up=0),
            ),
        ),
        practitioners=(
            Practitioner(
                id=who, covers={service: (reach,)},
                on_shift=tuple(s for shift in shifts for s in shift.within(reach)),
            ),
        ),
        rooms=(Room(id=room),),
        open=tuple(p for d in days for p in open_periods(hours, zone, d)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("zone", "day", "hours", "first", "last", "many"),
    [
        # Clocks go forward at 02:00 on 8 March 2026 and back at 02:00 on 1 November 2026 (IANA tzdata,
        # America/Chicago): 00:00 to 06:00 on the wall is five and seven hours.
        ("America/Chicago", "2026-03-08", ("00:00", "06:00"), "06:00", "10:00", 4 * 12 + 1),
        ("America/Chicago", "2026-11-01", ("00:00", "06:00"), "05:00", "11:00", 6 * 12 + 1),
        # Offset +05:45 all year (IANA tzdata, Asia/Kathmandu).
        ("Asia/Kathmandu", "2026-05-07", ("09:00", "11:00"), "03:15", "04:15", 13),
    ],
)
def test_wall_clocks_mean_what_the_zone_says(zone, day, hours, first, last, many):
    question = at_place(zone, datetime.fromisoformat(day).date(), *hours)
    found = [o.starts_at for o in options(question, 1000)]
    on = datetime.fromisoformat(f"{day}T00:00+00:00")
    assert found[0] == datetime.combine(on, time.fromisoformat(first), UTC)
    assert found[-1] == datetime.combine(on, time.fromisoformat(last), UTC)
    assert len(found) == many
    assert found == sorted(plain_options(question))


def test_a_visit_may_cross_midnight_where_it_is_open_then():
    zone = "America/Chicago"
    day = datetime(2026, 5, 7, tzinfo=UTC).date()
    found = options(at_place(zone, day, "20:00", "02:00"), 1000)
    local = [o.starts_at.astimezone(ZoneInfo(zone)) for o in found]
    # The night before runs until two; tonight begins at eight, and a start at 23:55 ends tomorrow.
    assert local[0].time() == time(0) and local[12].time() == time(1)
    assert local[13].time() == time(20) and local[-1].time() == time(23, 55)
    assert found[-1].ends_at == at_local(day + timedelta(days=1), time(0, 55), zone)
    assert len(found) == 13 + 48


def test_what_was_asked_for_is_the_reason_where_others_have_it():
    question = at_place("UTC", datetime(2026, 5, 7, tzinfo=UTC).date(), "09:00", "17:00")
    (line,), (one,), (room,) = question.lines, question.practitioners, question.rooms
    people = [replace(one, id=UUID(int=n)) for n in (1, 2, 3)]
    unable = replace(one, id=UUID(int=4), covers={line.service_id: ()})
    sink = replace(room, id=UUID(int=102), features=frozenset({"sink"}))
    over = replace(one, covers={line.service_id: (Period(WHOLE[0].start, question.period.start),)})

    def asking(*who, **more):
        lines = tuple(replace(line, practitioner_id=w and w.id, **more) for w in who)
        return replace(question, practitioners=(*people, unable), rooms=(room, sink), lines=lines)

    for asked, why, changes in (
        (asking(unable), Why.PRACTITIONER_LACKS_SKILL, [Change.ANY_PRACTITIONER]),
        (
            asking(None, room_features=frozenset({"sink"}), room_id=room.id),
            Why.ROOM_LACKS_FEATURE,
            [Change.ANY_ROOM],
        ),
        (
            asking(*people),
            Why.TOO_MANY_PRACTITIONERS,
            [Change.ANY_PRACTITIONER, Change.LINE_DROPPED],
        ),
        # To the first and back again: the other order has the first but once.
        (
            asking(people[0], people[1], replace(people[0])),
            None,
            [],
        ),
        (asking(unable, is_bound=True), Why.PRACTITIONER_LACKS_SKILL, []),
        (
            replace(asking(None, None), any_order=True, not_before=frozenset({(0, 1), (1, 0)})),
            Why.SCREENING,
            [Change.LINE_DROPPED],
        ),
        (
            replace(question, practitioners=(over,)),
            Why.NO_ONE_LICENSED,
            [Change.PRACTITIONER_ADDED],
        ),
    ):
        masks = Masks(question=asked)
        if why is None:
            assert options(asked, 1)
            continue
        assert options(asked, 1) == []
        assert [r.why for r in day_reasons(masks, [question.period])] == [why]
        assert sorted(w.change for w in what_ifs(masks)) == sorted(changes)


def test_nothing_at_all_says_what_is_missing():
    question = at_place("UTC", datetime(2026, 5, 7, tzinfo=UTC).date(), "09:00", "17:00")
    days = [question.period]
    for less, why, change in (
        (replace(question, practitioners=()), Why.NO_ONE_WITH_SKILL, Change.PRACTITIONER_ADDED),
        (replace(question, rooms=()), Why.NO_ROOM_WITH_FEATURE, Change.ROOM_ADDED),
        (
            replace(question, lines=(replace(question.lines[0], kit_kind="brow"),)),
            Why.NO_KIT_OF_KIND,
            Change.KIT_ADDED,
        ),
    ):
        assert options(less, 5) == []
        masks = Masks(question=less)
        assert [r.why for r in day_reasons(masks, days)] == [why]
        assert [w.change for w in what_ifs(masks)] == [change]
