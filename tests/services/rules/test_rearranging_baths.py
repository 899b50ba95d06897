"""A rearranged day whose kits share a bath: the solver against trying every minute, and large days kept by the rule."""

import random
from collections import Counter
from dataclasses import replace
from itertools import product
from uuid import uuid5

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.rules.rearranging.baths import Bath, as_early_as_can_be, have_place, in_bath
from services.rules.rearranging.model import (
    Cost,
    Movable,
    Part,
    Place,
    Placed,
    Shape,
    Soak,
    cost_of,
    is_allowed,
    taken,
)
from services.rules.rearranging.solving import propose
from tests.services.rules.test_rearranging import KITS, PEOPLE, ROOMS, SPACE, fits, mask, run

UNTIL = 12


def lying(visit, at):
    """(from, until) of each of the visit's kits in the bath, and whether they go in anew."""
    if at is None or visit.shapes[at.shape].stays:
        return False, list(visit.soaking)
    soaks = visit.shapes[at.shape].soaks
    return True, [(into, into + s.contact) for (_, s), into in zip(soaks, at.soaks, strict=True)]


def has_room(visits, placed, bath):
    """Minute by minute: whoever goes in finds as many places as kits of the visit, or an empty bath."""
    count = Counter(m for first, end in bath.soaking for m in range(first, end))
    own = {}
    for visit in visits:
        _, spans = lying(visit, placed[visit.id])
        own[visit.id] = Counter(m for first, end in spans for m in range(first, end))
        count += own[visit.id]
    for visit in visits:
        anew, spans = lying(visit, placed[visit.id])
        needs = min(len(spans), bath.capacity)
        for first, end in spans if anew and bath.capacity else ():
            for minute in range(first, end):
                if count[minute] - own[visit.id][minute] + needs > bath.capacity:
                    return False
    return True


def keeps_every_rule(visits, placed, bath):
    for visit in visits:
        at = placed[visit.id]
        if at is None or visit.shapes[at.shape].stays:
            continue
        shape = visit.shapes[at.shape]
        kits = {at.takers[n] for n, _ in shape.soaks}
        for (_, soak), into in zip(shape.soaks, at.soaks, strict=True):
            if into + soak.contact + soak.behind > bath.until:
                return False
            if bath.batches is not None and into not in bath.batches:
                return False
        for who, first, end in taken(visit, at):
            if who in kits and any(k == who and first < b and a < end for k, a, b in bath.busy):
                return False
    return fits(visits, placed) and has_room(visits, placed, bath)


def ways(visit, bath):
    yield None
    for at, shape in enumerate(visit.shapes):
        takers = [[*{*p.able, *(p.own_able or {})}] for p in shape.places]
        into = [
            bath.batches if bath.batches is not None else range(bath.until) for _ in shape.soaks
        ]
        for start in range(shape.starts.bit_length()):
            for chosen, soaks in product(product(*takers), product(*into)):
                placed = Placed(shape=at, start=start, takers=chosen, soaks=soaks)
                if is_allowed(visit, placed):
                    yield placed


def cheapest(visits, bath):
    best = None
    each = [
        [(cost_of(v, p), p) for p in ways(v, bath) if keeps_every_rule([v], {v.id: p}, bath)]
        for v in visits
    ]
    for chosen in product(*each):
        cost = sum((c for c, _ in chosen), Cost())
        together = {v.id: p for v, (_, p) in zip(visits, chosen, strict=True)}
        if (best is None or cost < best) and keeps_every_rule(visits, together, bath):
            best = cost
    return best


starts = st.sets(st.integers(0, 5), min_size=1, max_size=2).map(lambda s: mask(*s))


@st.composite
def visits_with_kits(draw, n):
    """A visit in a room of its own with one kit, or two that come free one after the other."""
    own, length = draw(starts), draw(st.integers(1, 2))
    soak = Soak(
        before=draw(st.integers(0, 1)), contact=draw(st.integers(1, 3)), behind=draw(st.integers(0, 1))
    )  # fmt: skip
    kits = draw(st.sampled_from([KITS[:1], KITS[:2], KITS[1:2]]))
    places = [
        Place(part=Part.PRACTITIONER, blocks=((0, length),), able={PEOPLE[0]: own, PEOPLE[n + 1]: draw(starts)}, kept=(PEOPLE[0],)),
        Place(part=Part.KIT, blocks=((0, length),), able=dict.fromkeys(kits, 0xFF), soak=soak, kept=(kits[0],)),
    ]  # fmt: skip
    if draw(st.integers(0, 3)) == 0:
        places.append(Place(part=Part.KIT, blocks=((0, length + 1),), able={KITS[2]: 0xFF}, soak=soak))  # fmt: skip
    shapes = [Shape(starts=own | draw(starts), places=tuple(places))]
    start = draw(st.integers(0, 5))
    soaking = ()
    if draw(st.booleans()):
        # As it is planned: a room and a kit that nobody else has, and the bath of one minute.
        staying = Place(part=Part.CLIENT, blocks=((0, 1),), able={ROOMS[n]: 1 << start})
        shapes.insert(0, Shape(starts=1 << start, places=(staying,), stays=draw(st.booleans())))
        soaking = ((8 + n, 9 + n),)
    return Movable(id=uuid5(SPACE, f"with kits {n}"), start=start, shapes=tuple(shapes), soaking=soaking)  # fmt: skip


@st.composite
def baths(draw):
    fixed = draw(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 3)), max_size=2))
    capacity = draw(st.sampled_from([0, 1, 1, 2, 2]))
    soaking = [(first, min(8, first + many)) for first, many in fixed if first < 8]
    if capacity == 1:
        soaking = soaking[:1]
    kit = draw(st.sampled_from(KITS[:3]))
    first = draw(st.integers(0, UNTIL - 1))
    return Bath(
        capacity=capacity,
        batches=draw(st.sampled_from([None, None, (2, 7, 9), (4, 5, 6, 8)])),
        soaking=tuple(soaking),
        busy=draw(st.sampled_from([(), ((kit, first, first + 2),)])),
        until=UNTIL,
    )


@settings(deadline=None, max_examples=40)
@given(visits_with_kits(0), visits_with_kits(1), visits_with_kits(2), st.integers(2, 3), baths())
def test_the_proposal_costs_what_the_best_of_all_ways_through_the_bath_costs(a, b, c, many, bath):
    visits = [a, b, c][:many]
    # Every minute of several visits with two kits each is more than can be tried.
    twice = [v for v in visits if max(len(s.soaks) for s in v.shapes) > 1]
    visits = [v for v in visits if v not in twice[1:]]
    found = propose(visits, seconds=20, bath=bath)
    assert found.is_best and keeps_every_rule(visits, found.placed, bath)
    assert found.cost == cheapest(visits, bath)


def waiting(name, start, kit, minutes=30, around=0, contact=20):
    """A visit of half an hour with a kit, and somebody of its own who does it."""
    at = run(max(0, start - around), start + around + 5)
    places = (
        Place(part=Part.PRACTITIONER, blocks=((0, minutes),), able={uuid5(SPACE, f"{name}'s own"): at}),
        Place(part=Part.KIT, blocks=((0, minutes),), able={kit: at}, soak=Soak(before=5, contact=contact, behind=10)),
    )  # fmt: skip
    return Movable(id=uuid5(SPACE, name), start=start, shapes=(Shape(starts=at, places=places),))


@pytest.mark.parametrize("around", [0, 60])
def test_two_who_come_out_at_once_wait_for_one_place(around):
    # Each kit is back 65 minutes after it was taken if it need not wait, and one of the two must.
    first, second = waiting("a", 0, KITS[0]), waiting("b", 0, KITS[1])
    third = waiting("c", 70, KITS[0], around=around)
    fourth = waiting("d", 70, KITS[1], around=around)
    visits = [first, second, third, fourth]
    found = propose(visits, seconds=5, bath=Bath(capacity=1, until=400))
    assert keeps_every_rule(visits, found.placed, Bath(capacity=1, until=400))
    wanted = Cost(moved=1, minutes=15) if around else Cost(without_place=1)
    assert (found.cost, found.is_best) == (wanted, True)
    assert propose(visits, seconds=5, bath=Bath(capacity=2, until=400)).cost == Cost()


def test_what_is_given_goes_in_as_soon_as_it_can():
    visits = [waiting(str(n), 0, kit) for n, kit in enumerate(KITS[:3])]
    bath = Bath(capacity=1, soaking=((40, 50),), until=500)
    found = propose(visits, seconds=5, bath=bath)
    assert sorted(at.soaks for at in found.placed.values()) == [(50,), (70,), (90,)]


def test_nothing_more_goes_into_a_bath_that_is_overfull_as_planned():
    # The house has said since that it takes one: two lie in it, and who moves waits until they are out.
    bath = Bath(capacity=1, soaking=((30, 60), (40, 70)), until=300)
    visits = [waiting("a", 0, KITS[0]), replace(waiting("b", 0, KITS[1]), soaking=((45, 65),))]
    found = propose(visits, seconds=5, bath=bath)
    assert found.cost == Cost() and have_place(
        [one for v in visits for one in in_bath(v, found.placed[v.id], bath)], bath
    )
    assert sorted(at.soaks for at in found.placed.values()) == [(70,), (90,)]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("capacity", "batches"), [(2, None), (4, tuple(range(30, 1500, 60))), (0, tuple(range(0, 1500, 45)))]
)  # fmt: skip
def test_a_large_day_keeps_the_bath_in_little_time(seed, capacity, batches):
    """40 visits with 10 kits; the first two of 8 practitioners are ill from noon on."""
    dice = random.Random(seed)
    visits = []
    bath = Bath(capacity=capacity, batches=batches, soaking=((100, 115), (300, 330)), until=1500)
    for n in range(40):
        start = 15 * (n // 2) * 2
        skilled = sorted(dice.sample(PEOPLE[:8], 5))
        at_work = {who: run(0, 800) if PEOPLE.index(who) > 1 else run(0, 320) for who in skilled}
        length = dice.choice([20, 30, 40])
        soak = Soak(before=10, contact=10, behind=10)
        places = (
            Place(part=Part.PRACTITIONER, blocks=((0, length),), able=at_work, kept=(skilled[0],)),
            Place(part=Part.ROOM, blocks=((-5, length + 10),), able=dict.fromkeys(ROOMS[:6], run(0, 800)), kept=(ROOMS[n % 6],)),
            Place(part=Part.KIT, blocks=((-5, length + 10),), able=dict.fromkeys(KITS[:10], run(0, 800)), kept=(KITS[n % 10],), soak=soak),
            Place(part=Part.JOB, blocks=((-5, 0),), able={PEOPLE[9]: run(0, 800)}, own=0, own_able=at_work),
        )  # fmt: skip
        around = run(max(0, start - 120), min(800, start + 125))
        visits.append(Movable(id=uuid5(SPACE, str(n)), start=start, shapes=(Shape(starts=around, places=places),)))  # fmt: skip
    found = propose(visits, seconds=6, bath=bath)
    assert keeps_every_rule(visits, found.placed, bath)
    assert found.cost.without_place < 20
    assert as_early_as_can_be(visits, found.placed, bath) == found.placed
