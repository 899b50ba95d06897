"""The search for starts against a general solver (OR-Tools CP-SAT): the same feasibility, the same first start.

The model shares the rule of phases (by which booking plans) with the program, and nothing else.
Attendants are left out: which of them does a job is booking's rule, and not a matter of feasibility.
"""

from dataclasses import replace
from datetime import timedelta
from itertools import permutations, product
from uuid import UUID
from zoneinfo import ZoneInfo

from hypothesis import assume, event, given, settings
from ortools.sat.python import cp_model

from services.rules.availability.search import options
from services.rules.phases import LinePlan, spans_of
from tests.services.rules.availability_cases import DAY, questions
from tests.services.rules.plain_availability import starts

#: Taken spans begin and end on quarters of a minute.
QUARTER = 4
DAY_LONG = 24 * 60 * QUARTER


def quarters(moment):
    return round((moment - DAY).total_seconds() * QUARTER / 60)


def spans_joined(spans):
    found = []
    for span in sorted(spans):
        if found and span.start <= found[-1][1]:
            found[-1][1] = max(found[-1][1], span.end)
        else:
            found.append([span.start, span.end])
    return [(quarters(a), quarters(b)) for a, b in found]


def patterns(lines):
    """One for all, or one after the other."""
    return [(0,) * lines, *((0,) * n + (1,) * (lines - n) for n in range(1, lines))]


class Model:
    """The visit in one order and one pattern of people and rooms."""

    def __init__(self, q, lines, crew, rooms):
        self.model, self.intervals = cp_model.CpModel(), {}
        grid = [quarters(s) for s in starts(q)]
        self.start = self.model.new_int_var_from_domain(
            cp_model.Domain.from_values(grid or [0]), "start"
        )
        if not grid:
            self.model.add_bool_or([])
        plans = [
            LinePlan(
                minutes=line.minutes,
                practitioner_id=UUID(int=who),
                room_id=UUID(int=100 + where),
                starts_at=None if n else DAY,
            )
            for n, (line, who, where) in enumerate(zip(lines, crew, rooms, strict=True))
        ]
        self.spans = spans_of(plans)
        self.q, self.lines = q, lines
        self.limits()
        self.people(crew)
        self.places(rooms)
        self.kits()
        for taken in self.intervals.values():
            self.model.add_no_overlap(taken)

    def moment(self, when):
        return self.start + quarters(when)

    def take(self, who, first, end, literal):
        size = quarters(end) - quarters(first)
        if size:
            self.intervals.setdefault(who, []).append(
                self.model.new_optional_fixed_size_interval_var(
                    self.moment(first), size, literal, "taken"
                )
            )

    def busy(self, who, spans):
        # What is taken may overlap itself: it is joined, so that only the visit can be in its way.
        for first, end in spans_joined(spans):
            self.intervals.setdefault(who, []).append(
                self.model.new_fixed_size_interval_var(first, end - first, "busy")
            )

    def keep_free(self, who, buffer, parts, literal):
        first, end = min(a for a, _ in parts), max(b for _, b in parts)
        until = end + timedelta(minutes=buffer.after)
        self.take(who, first - timedelta(minutes=buffer.before), first, literal)
        self.take(who, end, until, literal)
        known = self.moment(until) <= quarters(self.q.horizon)
        self.model.add(known).only_enforce_if(literal)

    def inside(self, spans, first, end, literal):
        """From `first` to `end` within one of the spans, if `literal`."""
        ways = []
        for a, b in spans_joined(spans):
            way = self.model.new_bool_var("inside")
            self.model.add(self.moment(first) >= a).only_enforce_if(way)
            self.model.add(self.moment(end) <= b).only_enforce_if(way)
            ways.append(way)
        self.model.add_bool_or(*ways, literal.negated())

    def begins(self, spans, when, literal):
        ways = []
        for span in spans:
            way = self.model.new_bool_var("begins")
            self.model.add(self.moment(when) >= quarters(span.start)).only_enforce_if(way)
            self.model.add(self.moment(when) < quarters(span.end)).only_enforce_if(way)
            ways.append(way)
        self.model.add_bool_or(*ways, literal.negated())

    def limits(self):
        true = self.model.new_constant(1)
        self.inside(self.q.open, self.spans[0].starts_at, self.spans[-1].ends_at, true)
        for line, span in zip(self.lines, self.spans, strict=True):
            self.model.add(self.moment(span.turnover_ends_at) <= quarters(self.q.horizon))
            if line.may_start is not None:
                self.begins(line.may_start, span.starts_at, true)
            self.take("client", span.starts_at, span.ends_at, true)
        self.busy("client", self.q.client_busy)

    def chosen(self, kind, able, slots):
        """A literal for each (slot, one who is able); one in each slot, nobody in two."""
        found = {
            (slot, one): self.model.new_bool_var(f"{kind} {slot} {one}")
            for slot in slots
            for one in able[slot]
        }
        for slot in slots:
            self.model.add_exactly_one(found[slot, one] for one in able[slot])
        for one in {one for _, one in found}:
            self.model.add_at_most_one(b for (_, other), b in found.items() if other == one)
        return found

    def people(self, crew):
        able = {
            slot: [
                p.id
                for p in self.q.practitioners
                if all(
                    line.practitioner_id in {None, p.id} and p.covers.get(line.service_id)
                    for line, of in zip(self.lines, crew, strict=True)
                    if of == slot
                )
            ]
            for slot in set(crew)
        }
        by_id = {p.id: p for p in self.q.practitioners}
        for (slot, who), literal in self.chosen("person", able, sorted(set(crew))).items():
            person, own = by_id[who], []
            for line, of, span in zip(self.lines, crew, self.spans, strict=True):
                if of != slot:
                    continue
                self.begins(person.covers[line.service_id], span.starts_at, literal)
                parts = [(p.start, p.end) for p in span.attended]
                parts += [(p.start, p.end) for p in (span.set_up, span.turnover) if p]
                for first, end in parts:
                    self.inside(person.on_shift, first, end, literal)
                    self.take(who, first, end, literal)
                own += parts
            self.keep_free(who, person.buffer, own, literal)
        for who, person in by_id.items():
            self.busy(who, person.busy)

    def places(self, rooms):
        able = {
            slot: [
                r.id
                for r in self.q.rooms
                if all(
                    line.room_id in {None, r.id} and line.room_features <= r.features
                    for line, of in zip(self.lines, rooms, strict=True)
                    if of == slot
                )
            ]
            for slot in set(rooms)
        }
        room_of = {r.id: r for r in self.q.rooms}
        for (slot, room), literal in self.chosen("room", able, sorted(set(rooms))).items():
            own = [span for of, span in zip(rooms, self.spans, strict=True) if of == slot]
            parts = [(s.set_up_at, s.turnover_ends_at) for s in own]
            self.take(room, parts[0][0], parts[-1][1], literal)
            self.keep_free(room, room_of[room].buffer, parts, literal)
        for room in self.q.rooms:
            self.busy(room.id, room.busy)

    def back_at(self, end, kits):
        """When a kit is back whose turnover is over at `end`: it goes in when there is place, not before."""
        way = self.q.way_back
        if not way.is_planned:
            return self.moment(end)
        batches = -(-kits // way.capacity) if way.capacity else 1
        contact, minutes = way.contact * batches * QUARTER, range(self.length)
        begins = [m for m in minutes if not way.set_times or self.wall(m) in way.set_times]
        domain = cp_model.Domain.from_values([(m + way.wash) * QUARTER for m in begins] or [-1])
        into = self.model.new_int_var_from_domain(domain, "into")
        self.model.add(into >= self.moment(end) + (way.wait + way.wash) * QUARTER)
        if way.capacity and contact:
            own = self.model.new_fixed_size_interval_var(into, contact, "soak")
            most = way.capacity - min(kits, way.capacity)
            spans = [(quarters(s.start), quarters(s.end)) for s in way.soaking]
            full = [
                self.model.new_fixed_size_interval_var(at, 1, "full")
                for at in range(max((b for _, b in spans), default=0))
                if sum(a <= at < b for a, b in spans) > most
            ]
            self.model.add_no_overlap([own, *full])
        return into + contact + way.rinse_and_dry * QUARTER

    @property
    def length(self):
        return quarters(self.q.horizon) // QUARTER

    def wall(self, minute):
        at = DAY + timedelta(minutes=minute)
        return at.astimezone(ZoneInfo(self.q.way_back.zone)).time()

    def kits(self):
        kinds = {line.kit_kind for line in self.lines if line.kit_kind}
        for kind in kinds:
            own = [
                s for line, s in zip(self.lines, self.spans, strict=True) if line.kit_kind == kind
            ]
            there = [k for k in self.q.kits if k.kind == kind]
            literals = [self.model.new_bool_var(f"kit {k.id}") for k in there]
            self.model.add_exactly_one(literals)
            first = min(s.set_up_at for s in own)
            back = self.back_at(max(s.turnover_ends_at for s in own), len(kinds))
            self.model.add(back <= quarters(self.q.horizon))
            for kit, literal in zip(there, literals, strict=True):
                start = self.moment(first)
                size = self.model.new_int_var(0, quarters(self.q.horizon) + DAY_LONG, "away")
                self.model.add(start + size == back)
                self.intervals.setdefault(kit.id, []).append(
                    self.model.new_optional_interval_var(start, size, back, literal, "kit")
                )
                self.busy(kit.id, kit.busy)

    def first(self):
        self.model.minimize(self.start)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        status = solver.solve(self.model)
        assert status in {cp_model.OPTIMAL, cp_model.INFEASIBLE}
        return solver.value(self.start) if status == cp_model.OPTIMAL else None


def one_room_does(q):
    return any(
        all(line.room_id in {None, r.id} and line.room_features <= r.features for line in q.lines)
        for r in q.rooms
    )


def first_start(q):
    """The first feasible start by the solver, in quarters of a minute."""
    found = []
    orders = list(permutations(q.lines)) if q.any_order else [q.lines]
    every = patterns(len(q.lines))
    # A client is not led from room to room where one room has everything.
    for lines, crew, rooms in product(orders, every, every[:1] if one_room_does(q) else every):
        at_first = Model(q, lines, crew, rooms).first()
        found += [] if at_first is None else [at_first]
    return min(found, default=None)


def is_told_line_by_line(q):
    """Three people or rooms one after the other are only for who names them: not modelled here."""
    return len(q.lines) > 2 and all(
        line.practitioner_id or line.room_id or len(q.practitioners) == 1 for line in q.lines
    )


@settings(deadline=None, max_examples=120)
@given(questions())
def test_the_first_start_is_the_solvers(question):
    # With minutes of their own there would be a model for each pair of practitioners.
    lines = tuple(replace(line, own_minutes={}) for line in question.lines)
    question = replace(question, attendants=(), lines=lines)
    assume(not is_told_line_by_line(question))
    found = options(question, limit=1)
    event("a start" if found else "none")
    expected = first_start(question)
    assert [quarters(o.starts_at) for o in found] == ([] if expected is None else [expected])
