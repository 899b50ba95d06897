"""The cheapest way to place the day's visits, by constraint programming (OR-Tools CP-SAT).

The costs are kept low one after the other, in the order of `Cost`: each stage fixes what the one
before it reached. What is not proven within the time is still a proposal that keeps every rule.
"""

import os
import time
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, field
from typing import TYPE_CHECKING, Any
from uuid import UUID

from services.rules.rearranging.baths import (
    NO_BATH,
    Bath,
    as_early_as_can_be,
    beside,
    overfull,
    planned,
)
from services.rules.rearranging.model import (
    Block,
    Cost,
    Movable,
    Part,
    Place,
    Placed,
    Proposal,
    Shape,
    Soak,
    cost_of,
)

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

#: CP-SAT runs its strategies side by side; more threads than this are no help to a day's model.
MOST_WORKERS = 8


def propose(visits: Sequence[Movable], *, seconds: float, bath: Bath = NO_BATH) -> Proposal:
    """Where each visit goes, so that no two take one person or thing at once and kits have their place in
    the bath.

    Takes at most about `seconds`. Every visit may be left without a place, so there is always a
    proposal; `is_best` says whether it is proven that none costs less.
    """
    model = _Model(visits, bath)
    return model.solved(time.monotonic() + seconds)


@dataclass
class _Chosen:
    """The variables of one shape of one visit."""

    is_used: Any
    #: (place, taker) -> whether it takes it; for a job also its own practitioner, under None.
    takes: dict[tuple[int, UUID | None], Any] = field(default_factory=dict)


@dataclass(kw_only=True)
class _Lying:
    """One kit in the bath as an interval; `needs` more than one place: how many kits its visit sends."""

    visit_id: UUID | None
    interval: Any
    needs: int = 1


class _Model:
    """The day as a CP-SAT model."""

    def __init__(self, visits: Sequence[Movable], bath: Bath) -> None:
        # Imported where it is used: a second of start-up, and no web process needs it.
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.model = cp_model.CpModel()
        self.visits, self.bath = visits, bath
        self.starts: list[Any] = []
        self.shapes: list[list[_Chosen]] = []
        #: For each visit when each of its kits goes into the bath.
        self.soaks: list[list[Any]] = []
        self.intervals: dict[UUID, list[Any]] = {}
        self.returning: dict[UUID, list[Any]] = {}
        self.crowds = overfull(planned(visits, bath), bath)
        self.lying = [
            _Lying(visit_id=None, interval=piece)
            for span in bath.soaking
            for piece in self._pieces(span, 1, "stays in the bath")
        ]
        self.costs: list[list[Any]] = [[] for _ in astuple(Cost())]
        for visit in visits:
            self._add(visit)
        for together in self.intervals.values():
            self.model.add_no_overlap(together)
        self._keep_from_others()
        self._share_the_bath()

    def _add(self, visit: Movable) -> None:
        model, name = self.model, str(visit.id)
        minutes = _minutes(_either(shape.starts for shape in visit.shapes)) or [visit.start]
        start = model.new_int_var_from_domain(
            self.cp.Domain.from_values([*minutes, visit.start]), f"start {name}"
        )
        chosen = []
        self.soaks.append([])
        for at, shape in enumerate(visit.shapes):
            used = _Chosen(model.new_bool_var(f"{name} as {at}"))
            self._only_at(start, shape.starts, used.is_used)
            self._fill(shape, used, start, f"{name} as {at}")
            chosen.append(used)
        self.starts.append(start)
        self.shapes.append(chosen)
        self._price(visit, start, chosen)

    def _only_at(self, start: Any, mask: int, *when: Any) -> None:
        domain = self.cp.Domain.from_values(_minutes(mask))
        self.model.add_linear_expression_in_domain(start, domain).only_enforce_if(*when)

    def _fill(self, shape: Shape, used: _Chosen, start: Any, name: str) -> None:
        model = self.model
        back = self._backs(shape, used, start, name)
        for n, place in enumerate(shape.places):
            literals = []
            for taker, mask in place.able.items():
                blocks = place.blocks if n not in back else ()
                takes = self._taking(used, (n, taker), start, mask, blocks, name)
                literals.append(takes)
                if n in back:
                    away = model.new_optional_interval_var(
                        start + place.blocks[0][0], *back[n], takes, f"{name} {taker} away"
                    )
                    self.intervals.setdefault(taker, []).append(away)
                    self.returning.setdefault(taker, []).append(away)
            if place.own is not None:
                literals.append(
                    self._own(place, shape.places[place.own], (n, place.own), used, start, name)
                )
            model.add(sum(literals) == used.is_used)
        for together in shape.different:
            for taker in {t for n, t in used.takes if n in together and t is not None}:
                model.add_at_most_one(
                    used.takes[n, taker] for n in sorted(together) if (n, taker) in used.takes
                )

    def _backs(
        self, shape: Shape, used: _Chosen, start: Any, name: str
    ) -> dict[int, tuple[Any, Any]]:
        """For each kit's place (how long it is away, when it is back)."""
        found = {}
        for at, (n, soak) in enumerate(shape.soaks):
            own = self.soaks[-1]
            if at == len(own):
                own.append(self._soak(soak, f"{name} soak {at}"))
            first, end = shape.places[n].blocks[0]
            self.model.add(own[at] >= start + end + soak.before).only_enforce_if(used.is_used)
            least = end - first + soak.before + soak.contact + soak.behind
            most = max(least, self.bath.until)
            back = own[at] + soak.contact + soak.behind
            found[n] = self.model.new_int_var(least, most, f"{name} away {at}"), back
        return found

    def _soak(self, soak: Soak, name: str) -> Any:
        """When a kit goes into the bath: never beside more than it takes."""
        last = self.bath.until - soak.behind - soak.contact
        domain = self.cp.Domain(0, max(0, last))
        if self.bath.batches is not None:
            minutes = [m for m in self.bath.batches if 0 <= m <= last]
            domain = self.cp.Domain.from_values(minutes or [0])
        for first, end in self.crowds:
            crowd = self.cp.Domain(first - soak.contact + 1, end - 1)
            domain = domain.intersection_with(crowd.complement())
        if domain.is_empty():
            # Nowhere: whoever needs it is never so early.
            domain = self.cp.Domain(-(1 << 20), -(1 << 20))
        return self.model.new_int_var_from_domain(domain, name)

    def _keep_from_others(self) -> None:
        """A kit that moves is back before others have it: who stays as they are has not to be asked."""
        for who, intervals in self.returning.items():
            busy = [
                self.model.new_fixed_size_interval_var(first, end - first, "with others")
                for kit, first, end in self.bath.busy
                if kit == who
            ]
            if busy:
                self.model.add_no_overlap([*intervals, *busy])

    def _pieces(self, span: Block, when: Any, name: str) -> list[Any]:
        """What is in the bath as planned, left out where it is overfull anyway."""
        return [
            self.model.new_optional_fixed_size_interval_var(first, end - first, when, name)
            for first, end in beside(span, self.crowds)
        ]

    def _lie(self, visit: Movable, chosen: list[_Chosen]) -> None:
        """A visit's kits in the bath: those of its plan, or those that go in anew."""
        model, name = self.model, str(visit.id)
        goes, sends = model.new_bool_var(f"{name} anew"), model.new_bool_var(f"{name} sends kits")
        pairs = list(zip(visit.shapes, chosen, strict=True))
        model.add(sum(used.is_used for shape, used in pairs if not shape.stays) == goes)
        model.add(sum(used.is_used for shape, used in pairs if shape.soaks) == sends)
        for span in visit.soaking:
            self.lying += [
                _Lying(visit_id=visit.id, interval=one)
                for one in self._pieces(span, goes.negated(), f"{name} in the bath")
            ]
        anew = next((shape.soaks for shape in visit.shapes if shape.soaks), ())
        self.lying += [
            _Lying(
                visit_id=visit.id,
                interval=model.new_optional_fixed_size_interval_var(
                    into, soak.contact, sends, f"{name} soaks"
                ),
                needs=len(anew),
            )
            for into, (_, soak) in zip(self.soaks[-1], anew, strict=True)
            if soak.contact
        ]

    def _share_the_bath(self) -> None:
        """Never more than it takes; one of several kits of a visit waits until all of them have a place."""
        capacity = self.bath.capacity
        if not capacity:
            return
        together = [one.interval for one in self.lying if one.needs <= capacity]
        self.model.add_cumulative(together, [1] * len(together), capacity)
        for one in self.lying:
            if one.needs == 1:
                continue
            others = [o for o in self.lying if o.visit_id is None or o.visit_id != one.visit_id]
            if one.needs > capacity:
                for other in others:
                    self.model.add_no_overlap([one.interval, other.interval])
            else:
                some = [o.interval for o in others if o.needs <= capacity]
                demands = [*[1] * len(some), one.needs]
                self.model.add_cumulative([*some, one.interval], demands, capacity)

    def _taking(
        self,
        used: _Chosen,
        key: tuple[int, UUID],
        start: Any,
        mask: int,
        blocks: Sequence[tuple[int, int]],
        name: str,
    ) -> Any:
        takes = self.model.new_bool_var(f"{name} {key}")
        used.takes[key] = takes
        self._only_at(start, mask, takes)
        self._occupy(key[1], start, blocks, takes, name)
        return takes

    def _own(
        self, job: Place, whose: Place, at: tuple[int, int], used: _Chosen, start: Any, name: str
    ) -> Any:
        """The job done by whoever takes the place it belongs to."""
        n, owner = at
        own = self.model.new_bool_var(f"{name} own {n}")
        used.takes[n, None] = own
        for taker in whose.able:
            holds = used.takes[owner, taker]
            both = self.model.new_bool_var(f"{name} own {n} {taker}")
            self.model.add_bool_and(own, holds).only_enforce_if(both)
            self.model.add_bool_or(own.negated(), holds.negated(), both)
            self._only_at(start, (job.own_able or {}).get(taker, 0), both)
            self._occupy(taker, start, (*job.blocks, *job.own_free), both, name)
            if (n, taker) in used.takes:
                # An attendant who does the job of their own line does it as its practitioner.
                self.model.add_bool_or(used.takes[n, taker].negated(), holds.negated())
            if job.helped_able is not None or job.helped_free:
                helped = self.model.new_bool_var(f"{name} helped {n} {taker}")
                self.model.add_bool_and(own.negated(), holds).only_enforce_if(helped)
                self.model.add_bool_or(own, holds.negated(), helped)
                if job.helped_able is not None:
                    self._only_at(start, job.helped_able.get(taker, 0), helped)
                self._occupy(taker, start, job.helped_free, helped, name)
        return own

    def _occupy(
        self, who: UUID, start: Any, blocks: Sequence[tuple[int, int]], when: Any, name: str
    ) -> None:
        for first, end in blocks:
            self.intervals.setdefault(who, []).append(
                self.model.new_optional_fixed_size_interval_var(
                    start + first, end - first, when, f"{name} {who} {first}"
                )
            )

    def _price(self, visit: Movable, start: Any, chosen: list[_Chosen]) -> None:
        model, name = self.model, str(visit.id)
        is_out = model.new_bool_var(f"{name} without a place")
        model.add_exactly_one(is_out, *(used.is_used for used in chosen))
        self._lie(visit, chosen)
        model.add(start == visit.start).only_enforce_if(is_out)
        moved = model.new_bool_var(f"{name} moved")
        model.add(start == visit.start).only_enforce_if(moved.negated())
        most = max((abs(m - visit.start) for m in _minutes(_either(s.starts for s in visit.shapes))), default=0)  # fmt: skip
        away = model.new_int_var(0, most, f"{name} minutes")
        model.add_abs_equality(away, start - visit.start)
        for who, first, end in visit.left:
            self.intervals.setdefault(who, []).append(
                model.new_optional_fixed_size_interval_var(
                    first, end - first, is_out, f"{name} left"
                )
            )
        people: list[Any] = []
        things: list[Any] = []
        for shape, used in zip(visit.shapes, chosen, strict=True):
            for (n, taker), takes in used.takes.items():
                others = shape.places[n].others(taker) if taker is not None else 0
                if others:
                    is_person = shape.places[n].part is Part.PRACTITIONER
                    (people if is_person else things).append(others * takes)
        for total, parts in zip(
            self.costs, ([is_out], [moved], [away], people, things), strict=True
        ):
            total.extend(parts)

    def solved(self, deadline: float) -> Proposal:
        solver, is_best = self.cp.CpSolver(), True
        found: dict[UUID, Placed | None] = dict.fromkeys(v.id for v in self.visits)
        for n, parts in enumerate(self.costs):
            total = sum(parts)
            self.model.minimize(total)
            stages_left = len(self.costs) - n
            solver.parameters.num_workers = min(MOST_WORKERS, os.cpu_count() or 1)
            solver.parameters.random_seed = 1
            left = max(0.05, deadline - time.monotonic())
            # What an early stage does not use is the later ones'.
            solver.parameters.max_time_in_seconds = left if stages_left == 1 else left * 0.6
            status = solver.solve(self.model)
            if status not in {self.cp.OPTIMAL, self.cp.FEASIBLE}:
                is_best = False
                break
            is_best = is_best and status == self.cp.OPTIMAL
            found = self._read(solver)
            self._hint(solver)
            if parts:
                self.model.add(total <= solver.value(total))
        found = as_early_as_can_be(self.visits, found, self.bath)
        costs = (cost_of(visit, found[visit.id]) for visit in self.visits)
        return Proposal(placed=found, cost=sum(costs, Cost()), is_best=is_best)

    def _read(self, solver: "cp_model.CpSolver") -> dict[UUID, Placed | None]:
        found: dict[UUID, Placed | None] = {}
        for visit, start, chosen, soaks in zip(
            self.visits, self.starts, self.shapes, self.soaks, strict=True
        ):
            found[visit.id] = None
            for at, (shape, used) in enumerate(zip(visit.shapes, chosen, strict=True)):
                if solver.boolean_value(used.is_used):
                    takers = _takers(shape, {k for k, b in used.takes.items() if solver.boolean_value(b)})  # fmt: skip
                    found[visit.id] = Placed(
                        shape=at,
                        start=solver.value(start),
                        takers=takers,
                        soaks=tuple(solver.value(soaks[n]) for n in range(len(shape.soaks))),
                    )
        return found

    def _hint(self, solver: "cp_model.CpSolver") -> None:
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for start, chosen, soaks in zip(self.starts, self.shapes, self.soaks, strict=True):
            for value in (start, *soaks):
                self.model.add_hint(value, solver.value(value))
            for used in chosen:
                for literal in (used.is_used, *used.takes.values()):
                    self.model.add_hint(literal, solver.value(literal))


def _takers(shape: Shape, taking: set[tuple[int, UUID | None]]) -> tuple[UUID, ...]:
    by: dict[int | None, UUID] = {n: taker for n, taker in taking if taker is not None}
    return tuple(by.get(n) or by[place.own] for n, place in enumerate(shape.places))


def _either(masks: Iterable[int]) -> int:
    found = 0
    for mask in masks:
        found |= mask
    return found


def _minutes(mask: int) -> list[int]:
    return [n for n, bit in enumerate(reversed(f"{mask:b}")) if bit == "1"]
