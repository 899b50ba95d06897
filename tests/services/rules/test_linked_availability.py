"""Starts for visits that belong together, against trying every combination minute by minute, with no bits."""

import random
from dataclasses import replace
from datetime import time, timedelta
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.rules.availability.bits import taken_of
from services.rules.availability.linked import CutShort, Linked
from services.rules.availability.model import (
    Attendant,
    Kit,
    Practitioner,
    Question,
    Room,
    WantedLine,
)
from services.rules.buffers import Buffer
from services.rules.kits import NO_WAY_BACK, WayBack
from services.rules.phases import Minutes
from spa_ops.kernel.intervals import Period
from tests.services.rules.availability_cases import SERVICES, WHOLE, at, shift, span, spans
from tests.services.rules.plain_availability import MINUTE, _waste, back_at, starts, ways_at

BETWEEN = timedelta(minutes=30)
PEOPLE = [UUID(int=n) for n in (1, 2, 3)]
ROOMS = [UUID(int=n) for n in (101, 102)]


def takes(question, way):
    """(who or what, span) of all that booking this way would take, and the spans in the bath."""
    found = []
    buffers = {p.id: p.buffer for p in question.practitioners} | {
        r.id: r.buffer for r in question.rooms
    }
    own = {}
    for who, where, doers, s in zip(way.crew, way.rooms, way.doers, way.spans, strict=True):
        if s.unattended_at is None:
            present = [(s.starts_at, s.ends_at)]
        else:
            present = [(s.starts_at, s.unattended_at), (s.aftercare_at, s.ends_at)]
        jobs = [(doers[0], s.set_up_at, s.starts_at), (doers[1], s.ends_at, s.turnover_ends_at)]
        parts = [(who, a, b) for a, b in present] + [(where, s.set_up_at, s.turnover_ends_at)]
        found += [(x, Period(a, b)) for x, a, b in parts + jobs if a < b]
        for x, a, b in parts + [job for job in jobs if job[0] == who]:
            own.setdefault(x, []).extend([a, b] if a < b else [])
    for who, instants in own.items():
        first, last = min(instants), max(instants)
        for a, b in (
            (first - buffers[who].before * MINUTE, first),
            (last, last + buffers[who].after * MINUTE),
        ):
            found += [(who, Period(a, b))] if a < b else []
    soaking = []
    for kind, kit in way.kits:
        lines = [
            s for line, s in zip(question.lines, way.spans, strict=True) if line.kit_kind == kind
        ]
        first, end = min(s.set_up_at for s in lines), max(s.turnover_ends_at for s in lines)
        back = end
        if question.way_back.is_planned:
            back = back_at(question.way_back, end, len(way.kits))
            out = back - question.way_back.rinse_and_dry * MINUTE
            into = out - question.way_back.contact_of(len(way.kits)) * MINUTE
            soaking += [Period(into, out)] if into < out else []
        found.append((kit, Period(first, back)))
    return found, soaking


def beside(question, taken, soaking):
    """The question once others of the link have taken this."""

    def busier(one):
        return replace(one, busy=(*one.busy, *(s for who, s in taken if who == one.id)))

    way = question.way_back
    return replace(
        question,
        practitioners=tuple(map(busier, question.practitioners)),
        attendants=tuple(map(busier, question.attendants)),
        rooms=tuple(map(busier, question.rooms)),
        kits=tuple(map(busier, question.kits)),
        way_back=replace(way, soaking=(*way.soaking, *soaking)) if way.capacity else way,
    )


def combinations(questions, between, first, taken=(), soaking=(), before=None):
    """Every way to hold all of them, visit by visit in their order, as the waste is without the others."""
    if not questions:
        yield ()
        return
    own = questions[0]
    if before is None or between is None:
        at_starts = [first] if first in set(starts(own)) else []
    else:
        at_starts = [s for s in starts(own) if before <= s < before + between]
    for start in at_starts:
        for way in ways_at(beside(own, taken, soaking), start):
            more, baths = takes(own if not own.way_back.capacity else beside(own, (), soaking), way)
            for rest in combinations(
                questions[1:],
                between,
                first,
                (*taken, *more),
                (*soaking, *baths),
                way.spans[-1].ends_at,
            ):
                yield (way, *rest)


def rank(questions, ways):
    """By the starts of those who follow, then as a single visit's options are ranked, taken together."""
    waste = 0
    for question, way in zip(questions, ways, strict=True):
        # What it would leave if it were alone: the plain search's own number, without the others.
        waste += waste_alone(question, way)
    return (
        tuple(way.spans[0].starts_at for way in ways),
        sum(way.tier for way in ways), waste, sum(way.unusual for way in ways), *(way.order for way in ways),
    )  # fmt: skip


def waste_alone(question, way):
    taken, _ = takes(question, way)
    total = 0
    helping = {x for x in {who for who, _ in taken} if x in set(way.crew) | set(way.rooms)}
    busy = {p.id: (p.busy, p.on_shift) for p in question.practitioners}
    busy |= {r.id: (r.busy, ()) for r in question.rooms}
    for who in helping:
        own = [(s.start, s.end) for x, s in taken if x == who]
        total += _waste(question, own, *busy[who])
    return total


minutes = st.builds(
    Minutes,
    set_up=st.sampled_from([0, 5]), consultation=st.sampled_from([0, 5]),
    hands_on=st.sampled_from([10, 20]), aftercare=st.just(0), clean_up=st.sampled_from([0, 10]),
    unattended=st.sampled_from([0, 0, 0, 15]),
)  # fmt: skip


@st.composite
def links(draw):
    """Two or three visits with the same people, two rooms, one or two kits, on a crowded morning."""
    people = tuple(
        Practitioner(
            id=who, on_shift=draw(st.one_of(st.just(WHOLE), shift)), busy=draw(spans(most=2, longest=60)),
            covers={s: WHOLE for s in SERVICES if draw(st.integers(0, 4))},
            buffer=draw(st.sampled_from([Buffer(), Buffer(), Buffer(before=5, after=10)])),
        )
        for who in PEOPLE[: draw(st.sampled_from([1, 2, 2, 3]))]
    )  # fmt: skip
    rooms = tuple(
        Room(
            id=i, features=frozenset({"sink"}) if n else frozenset(), busy=draw(spans(most=2, longest=60)),
            buffer=draw(st.sampled_from([Buffer(), Buffer(), Buffer(after=5)])),
        )
        for n, i in enumerate(ROOMS[: draw(st.sampled_from([1, 2, 2]))])
    )  # fmt: skip
    kits = tuple(
        # Often somebody else needs it soon: then it matters when it is back.
        Kit(
            id=UUID(int=201 + n),
            kind="brow",
            busy=(*draw(spans(most=1, longest=60)), *draw(st.sampled_from([(), (span(90, 700),)]))),
        )
        for n in range(draw(st.sampled_from([1, 2, 2])))
    )
    attendants = tuple(
        Attendant(
            id=who, on_shift=draw(shift),
            busy=next((p.busy for p in people if p.id == who), draw(spans(most=2))),
        )
        for who in draw(st.sampled_from([[], [], [UUID(int=301)], [PEOPLE[0]], [UUID(int=301), PEOPLE[1]]]))
    )  # fmt: skip
    way = draw(
        st.sampled_from([
            NO_WAY_BACK, WayBack(wash=5, contact=10),
            WayBack(wait=5, contact=15, capacity=1, soaking=(span(60, 100),)),
            WayBack(contact=15, rinse_and_dry=5, capacity=2, soaking=(span(40, 70),)),
            WayBack(contact=10, capacity=1, set_times=tuple(time(h, m) for h in range(24) for m in (0, 40))),
        ])
    )  # fmt: skip
    begins, many = draw(st.integers(0, 60)), draw(st.sampled_from([2, 2, 2, 3]))
    usual = draw(st.sampled_from([None, *PEOPLE]))
    questions = []
    for n in range(many):
        length = draw(st.integers(10, 120)) if n == 0 else 300
        lines = tuple(
            WantedLine(
                service_id=draw(st.sampled_from(SERVICES)), minutes=draw(minutes),
                kit_kind=draw(st.sampled_from(["", "brow", "brow"])),
                room_features=draw(st.sampled_from([frozenset(), frozenset(), frozenset({"sink"})])),
                practitioner_id=draw(st.sampled_from([None, None, None, *PEOPLE[:2]])),
            )
            for _ in range(draw(st.sampled_from([1, 1, 2])) if many == 2 else 1)
        )  # fmt: skip
        questions.append(
            Question(
                period=span(begins, begins + length), now=at(0), horizon=at(900), lines=lines,
                practitioners=people, rooms=rooms, kits=kits, attendants=attendants, way_back=way,
                open=draw(st.sampled_from([WHOLE, WHOLE, (span(30, 300),)])),
                client_busy=draw(spans(most=1, longest=60)), shortest_minutes=draw(st.sampled_from([0, 20])),
                usual_practitioner_id=usual,
            )
        )  # fmt: skip
    return tuple(questions)


def told(options):
    """What booking is told of each visit of an option."""
    return tuple(
        tuple(
            (x.spans.starts_at, x.practitioner_id, x.room_id, x.kit_id, x.set_up_by, x.turnover_by)
            for x in option.lines
        )
        for option in options
    )


def said(questions, ways):
    """The same of a combination found plainly. A part that is not there is anybody's."""
    found = []
    for question, way in zip(questions, ways, strict=True):
        kits = dict(way.kits)
        found.append(
            tuple(
                (s.starts_at, who, where, kits.get(line.kit_kind), *doers)
                for line, s, who, where, doers in zip(
                    question.lines, way.spans, way.crew, way.rooms, way.doers, strict=True
                )
            )
        )
    return tuple(found)


@settings(deadline=None, max_examples=150)
@given(links(), st.booleans())
def test_every_start_that_works_for_all_is_found_in_its_best_form(questions, in_turn):
    between = BETWEEN if in_turn else None
    found = list(Linked(questions=questions, between=between).options())
    starting = {options[0].starts_at: options for options in found}
    assert list(starting) == sorted(starting) and len(starting) == len(found)
    for start in starts(questions[0]):
        ways = {
            said(questions, c): rank(questions, c) for c in combinations(questions, between, start)
        }
        assert (start in starting) == bool(ways), start
        if ways:
            assert ways[told(starting[start])] == min(ways.values())


def busy_month(dice, days=30, sold=0.9):
    """What is taken of one: half hours and hours of ten hours a day, most of them sold."""
    found = []
    for day in range(days):
        minute = day * 24 * 60
        end = minute + 600
        while minute < end:
            length = dice.choice([25, 30, 45, 60])
            if dice.random() < sold:
                found.append(span(minute, minute + length))
            minute += length
    return taken_of(tuple(found))


@pytest.mark.parametrize("many", [2, 3, 4])
@pytest.mark.parametrize("in_turn", [False, True], ids=["together", "in turn"])
@pytest.mark.parametrize("sold", [0.6, 0.9, 0.97])
def test_a_busy_month_is_searched_in_little_time(many, in_turn, sold):
    """Ten practitioners, eight rooms, eight kits, two attendants: a week's days of a month, one after the other.

    Counted in steps of the search, which no other load on the machine changes.
    """
    dice = random.Random(7)
    whole = tuple(span(day * 1440, day * 1440 + 600) for day in range(31))
    services = dict.fromkeys(SERVICES, WHOLE)
    covers = {s: (span(0, 31 * 1440),) for s in services}
    line = WantedLine(
        service_id=SERVICES[0], kit_kind="brow",
        minutes=Minutes(set_up=5, consultation=5, hands_on=20, aftercare=5, clean_up=10),
    )  # fmt: skip
    question = Question(
        period=span(0, 1440), now=at(0), horizon=at(6 * 1440), lines=(line,), open=whole,
        practitioners=tuple(
            Practitioner(id=UUID(int=n), covers=covers, on_shift=whole, busy=busy_month(dice, sold=sold),
                         buffer=Buffer(after=5))
            for n in range(1, 11)
        ),
        rooms=tuple(Room(id=UUID(int=100 + n), busy=busy_month(dice, sold=sold * 0.9)) for n in range(8)),
        kits=tuple(Kit(id=UUID(int=200 + n), kind="brow", busy=busy_month(dice, sold=sold / 2)) for n in range(8)),
        attendants=tuple(
            Attendant(id=UUID(int=300 + n), on_shift=whole, busy=busy_month(dice, sold=sold)) for n in range(2)
        ),
        way_back=WayBack(wait=10, wash=5, contact=10, rinse_and_dry=10, capacity=4),
    )  # fmt: skip
    steps = found = 0

    def go_on():
        nonlocal steps
        steps += 1
        return True

    for day in range(7):
        begins = day * 1440
        questions = [
            replace(question, horizon=at(begins + 6 * 1440),
                    period=span(begins, begins + (2880 if in_turn and n else 1440)))
            for n in range(many)
        ]  # fmt: skip
        for _ in Linked(questions=questions, between=timedelta(hours=1) if in_turn else None, go_on=go_on).options():  # fmt: skip
            found += 1
            if found == 3:
                break
        if found == 3:
            break
    # About a fifth of a millisecond each when this was written; the time for an answer is thousands more.
    assert steps < 3000
    assert found == 3 or day == 6


def simple(service, *, people, rooms, features=frozenset()):
    """A visit of twenty minutes at midnight or five past, with nothing in the way."""
    line = WantedLine(
        service_id=service, room_features=features,
        minutes=Minutes(set_up=0, consultation=0, hands_on=20, aftercare=0, clean_up=0),
    )  # fmt: skip
    return Question(
        period=span(0, 10), now=at(0), horizon=at(300), lines=(line,), practitioners=people,
        rooms=rooms, open=WHOLE,
    )  # fmt: skip


def test_two_are_found_a_place_though_neither_gets_their_best():
    """Whoever takes their best first has the only room or the only hands of the other; there is a way."""
    both, one = SERVICES[:2]
    people = (
        Practitioner(id=PEOPLE[0], covers={both: WHOLE, one: WHOLE}, on_shift=WHOLE),
        Practitioner(id=PEOPLE[1], covers={one: WHOLE}, on_shift=WHOLE),
    )
    rooms = (Room(id=ROOMS[0], features=frozenset({"sink"})), Room(id=ROOMS[1]))
    questions = (
        simple(both, people=people, rooms=rooms),
        simple(one, features=frozenset({"sink"}), people=people, rooms=rooms),
    )
    (first, second), _ = Linked(questions=questions, between=None).options()
    assert [(o.lines[0].practitioner_id, o.lines[0].room_id) for o in (first, second)] == [
        (PEOPLE[0], ROOMS[1]), (PEOPLE[1], ROOMS[0]),
    ]  # fmt: skip


@pytest.mark.parametrize(("capacity", "able"), [(0, True), (1, False), (2, True)])
def test_kits_of_a_link_share_the_bath(capacity, able):
    # Both go in when the turnover is over, at 20, and both are needed again at 30.
    people = tuple(
        Practitioner(id=who, covers={SERVICES[0]: WHOLE}, on_shift=WHOLE) for who in PEOPLE
    )
    question = simple(SERVICES[0], people=people, rooms=tuple(Room(id=i) for i in ROOMS))
    (line,) = question.lines
    question = replace(
        question,
        period=span(0, 5),
        lines=(replace(line, kit_kind="brow"),),
        kits=tuple(Kit(id=UUID(int=201 + n), kind="brow", busy=(span(30, 60),)) for n in range(2)),
        way_back=WayBack(contact=10, capacity=capacity),
    )
    found = list(Linked(questions=[question] * 2, between=None).options())
    assert bool(found) == able


def test_what_is_cut_short_never_looks_like_the_end():
    people = tuple(
        Practitioner(id=who, covers={SERVICES[0]: WHOLE}, on_shift=WHOLE) for who in PEOPLE
    )
    questions = [simple(SERVICES[0], people=people, rooms=tuple(Room(id=i) for i in ROOMS))] * 2
    whole = list(Linked(questions=questions, between=None).options())
    assert len(whole) == 2
    for many in range(100):
        left, found = iter(range(many)), []
        linked = Linked(
            questions=questions,
            between=None,
            go_on=lambda left=left: next(left, None) is not None,
        )
        try:
            for options in linked.options():
                found += [options]
        except CutShort:
            assert found == whole[: len(found)]
        else:
            break
    assert found == whole and many > 4
