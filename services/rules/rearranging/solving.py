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

from services.rules.rearranging.model import (
    Cost,
    Movable,
    Part,
    Place,
    Placed,
    Proposal,
    Shape,
    cost_of,
)

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

#: CP-SAT runs its strategies side by side; more threads than this are no help to a day's model.
MOST_WORKERS = 8


def propose(visits: Sequence[Movable], *, seconds: float) -> Proposal:
    """Where each visit goes, so that no two take one person or thing at once.

    Takes at most about `seconds`. Every visit may be left without a place, so there is always a
    proposal; `is_best` says whether it is proven that none costs less.
    """
    model = _Model(visits)
    return model.solved(time.monotonic() + seconds)


@dataclass
class _Chosen:
    """The variables of one shape of one visit."""

    is_used: Any
    #: (place, taker) -> whether it takes it; for a job also its own practitioner, under None.
    takes: dict[tuple[int, UUID | None], Any] = field(default_factory=dict)


class _Model:
    """The day as a CP-SAT model."""

    def __init__(self, visits: Sequence[Movable]) -> None:
        # Imported where it is used: a second of start-up, and no web process needs it.
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.model = cp_model.CpModel()
        self.visits = visits
        self.starts: list[Any] = []
        self.shapes: list[list[_Chosen]] = []
        self.intervals: dict[UUID, list[Any]] = {}
        self.costs: list[list[Any]] = [[] for _ in astuple(Cost())]
        for visit in visits:
            self._add(visit)
        for together in self.intervals.values():
            self.model.add_no_overlap(together)

    def _add(self, visit: Movable) -> None:
        model, name = self.model, str(visit.id)
        minutes = _minutes(_either(shape.starts for shape in visit.shapes)) or [visit.start]
        start = model.new_int_var_from_domain(
            self.cp.Domain.from_values([*minutes, visit.start]), f"start {name}"
        )
        chosen = []
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
        for n, place in enumerate(shape.places):
            literals = []
            for taker, mask in place.able.items():
                literals.append(self._taking(used, (n, taker), start, mask, place.blocks, name))
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
        costs = (cost_of(visit, found[visit.id]) for visit in self.visits)
        return Proposal(placed=found, cost=sum(costs, Cost()), is_best=is_best)

    def _read(self, solver: "cp_model.CpSolver") -> dict[UUID, Placed | None]:
        found: dict[UUID, Placed | None] = {}
        for visit, start, chosen in zip(self.visits, self.starts, self.shapes, strict=True):
            found[visit.id] = None
            for at, (shape, used) in enumerate(zip(visit.shapes, chosen, strict=True)):
                if solver.boolean_value(used.is_used):
                    takers = _takers(shape, {k for k, b in used.takes.items() if solver.boolean_value(b)})  # fmt: skip
                    found[visit.id] = Placed(shape=at, start=solver.value(start), takers=takers)
        return found

    def _hint(self, solver: "cp_model.CpSolver") -> None:
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for start, chosen in zip(self.starts, self.shapes, strict=True):
            self.model.add_hint(start, solver.value(start))
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
