"""Room states and turnover: which step is next, which steps count, and when a room may be ready.

Steps are versioned data of the requirement packs; a step done wrongly is recorded, not counted.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from compliance.disinfection.rules.counting import SEARCH, Search


class RoomState(StrEnum):
    """Where a room stands."""

    READY = "ready"
    IN_SERVICE = "in_service"
    NEEDS_TURNOVER = "needs_turnover"
    TURNING_OVER = "turning_over"
    OUT_OF_USE = "out_of_use"


_R = RoomState

#: Every legal change of a room's state. Out of use is left by a turnover only; a room in service
#: is left before anything else happens to it; ready lapses to needs_turnover at closing.
MOVES: Mapping[RoomState, frozenset[RoomState]] = {
    _R.READY: frozenset({_R.IN_SERVICE, _R.NEEDS_TURNOVER, _R.OUT_OF_USE}),
    _R.IN_SERVICE: frozenset({_R.NEEDS_TURNOVER}),
    _R.NEEDS_TURNOVER: frozenset({_R.TURNING_OVER, _R.OUT_OF_USE}),
    _R.TURNING_OVER: frozenset({_R.READY, _R.NEEDS_TURNOVER, _R.OUT_OF_USE}),
    _R.OUT_OF_USE: frozenset({_R.NEEDS_TURNOVER}),
}


def is_legal_move(before: RoomState, after: RoomState) -> bool:
    """Whether a room may change from `before` to `after`; staying is no move."""
    return after in MOVES[before]


def state_at(state: RoomState, *, lapses_at: datetime | None, now: datetime) -> RoomState:
    """The state that counts at `now`: ready is over from `lapses_at` (closing) on.

    So nobody starts in a room that a late sweep still calls ready.
    """
    if state is RoomState.READY and lapses_at is not None and now >= lapses_at:
        return RoomState.NEEDS_TURNOVER
    return state


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnoverStep:
    """One step. `wet` steps are done only after the product's whole wet time; `waits_for_missing`
    ones, linen and bin, not while an implement of the visit is missing (common practice, no source).

    With `features` it is a step of rooms that have one of them, such as a foot basin.
    """

    code: str
    title: str
    required: bool = True
    wet: bool = False
    features: frozenset[str] = frozenset()
    waits_for_missing: bool = False
    citation: str = ""
    strength: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnoverPlan:
    """The steps in their order, and the version of the data they came from."""

    version: str
    steps: tuple[TurnoverStep, ...]

    def __post_init__(self) -> None:
        codes = [step.code for step in self.steps]
        if len(set(codes)) != len(codes):
            raise ValueError("a turnover step is listed twice")
        if not any(step.required for step in self.steps):
            raise ValueError("a turnover needs at least one required step")


def plan_from(rows: Iterable[Mapping[str, Any]], *, version: str) -> TurnoverPlan:
    """The plan in parsed rows `{code, title, required?, wet?, waits_for_missing?, features?, citation?,
    strength?}`.

    Raises ValueError for a doubled step or none required.
    """
    steps = (
        TurnoverStep(**{**row, "features": frozenset(row.get("features", ()))}) for row in rows
    )
    return TurnoverPlan(version=version, steps=tuple(steps))


def plan_of_room(plan: TurnoverPlan, features: Iterable[str]) -> TurnoverPlan:
    """The steps of `plan` that a room with these features has; those of every room stay."""
    own = frozenset(features)
    return TurnoverPlan(
        version=plan.version,
        steps=tuple(step for step in plan.steps if not step.features or step.features & own),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """A step as it was reported: finished `at`, for a wet step wet without a break since `wet_from`.

    `wet_seconds` is the label's contact time of the product it was done with, None when none is on
    file: then no wet step counts. `hospital_type` says that this label names it so; it matters after
    blood.
    """

    code: str
    at: datetime
    wet_from: datetime | None = None
    wet_seconds: int | None = None
    hospital_type: bool = False


class NotCounted(StrEnum):
    """Why a reported step does not count."""

    UNKNOWN_STEP = "unknown_step"
    ALREADY_DONE = "already_done"
    OUT_OF_ORDER = "out_of_order"
    NO_LABEL_WET_TIME = "no_label_wet_time"
    WET_TIME_SHORT = "wet_time_short"
    AGENT_NOT_FOR_BLOOD = "agent_not_for_blood"
    PIECE_MISSING = "piece_missing"


WHAT_TO_DO: Mapping[NotCounted, str] = {
    NotCounted.UNKNOWN_STEP: "This room's turnover has no such step.",
    NotCounted.ALREADY_DONE: "This step is done already.",
    NotCounted.OUT_OF_ORDER: "Do the open steps before it first, then this one again.",
    NotCounted.NO_LABEL_WET_TIME: "No label wet time is on file for this product. Use another.",
    NotCounted.WET_TIME_SHORT: "Wet the surface again and keep it wet for the whole label time.",
    NotCounted.AGENT_NOT_FOR_BLOOD: "Blood was seen: use a hospital-type product on the surfaces.",
    NotCounted.PIECE_MISSING: f"An implement is missing. {SEARCH} Then do this step again.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncounted:
    """A reported step that does not count, why, and which required steps were open before it."""

    done: StepDone
    reason: NotCounted
    open_before: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnoverProgress:
    """How far a turnover is. `complete_at` is the last counted step, once none is open."""

    counted: tuple[StepDone, ...]
    uncounted: tuple[Uncounted, ...]
    open_required: tuple[str, ...]
    complete_at: datetime | None
    missing: tuple[str, ...] = ()

    @property
    def may_be_ready(self) -> bool:
        """Whether the room may be called ready: no required step is open, no implement missing."""
        return not self.open_required and not self.missing

    @property
    def next_step(self) -> str | None:
        return self.open_required[0] if self.open_required else None


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnoverTerms:
    """What this turnover is held to: the plan, blood or none.

    `searches` are those for implements that went missing at the visit, open or over.
    """

    plan: TurnoverPlan
    blood_seen: bool = False
    searches: tuple[Search, ...] = ()


def progress(
    terms: TurnoverTerms, reported: Sequence[StepDone], *, began_at: datetime
) -> TurnoverProgress:
    """Which of the reported steps count, taken in the order they happened, and what is open.

    A step counts when every required step before it counts already; a wet step also needs the
    whole wet time, begun no earlier than the cleaning before it was done. What is wet at one time,
    such as a table and a foot basin, has its time at once.
    """
    counted: list[StepDone] = []
    uncounted: list[Uncounted] = []
    for done in sorted(reported, key=lambda each: each.at):
        refused = judge_step(terms, counted, done, began_at=began_at)
        if refused is None:
            counted.append(done)
        else:
            uncounted.append(refused)
    still_open = _open(terms.plan, counted)
    finished = [done.at for done in counted] if not still_open else []
    return TurnoverProgress(
        counted=tuple(counted),
        uncounted=tuple(uncounted),
        open_required=still_open,
        complete_at=max(finished, default=None),
        missing=tuple(search.tag for search in terms.searches if search.is_open),
    )


def judge_step(
    terms: TurnoverTerms, counted: Sequence[StepDone], done: StepDone, *, began_at: datetime
) -> Uncounted | None:
    """Why `done` does not count after the steps `counted` so far; None when it does.

    Counts on `counted` being in order of time, as `progress` keeps them.
    """
    step = next((step for step in terms.plan.steps if step.code == done.code), None)
    if step is None:
        return Uncounted(done=done, reason=NotCounted.UNKNOWN_STEP)
    if any(each.code == done.code for each in counted):
        return Uncounted(done=done, reason=NotCounted.ALREADY_DONE)
    if step.waits_for_missing and any(search.covers(done.at) for search in terms.searches):
        return Uncounted(done=done, reason=NotCounted.PIECE_MISSING)
    missing = _open(terms.plan, counted, before=step)
    latest = counted[-1].at if counted else began_at
    if missing or done.at < latest:
        return Uncounted(done=done, reason=NotCounted.OUT_OF_ORDER, open_before=missing)
    if not step.wet:
        return None
    wet = {each.code for each in terms.plan.steps if each.wet}
    cleaned = next((each.at for each in reversed(counted) if each.code not in wet), began_at)
    flaw = _wet_flaw(terms, done, not_before=cleaned)
    return Uncounted(done=done, reason=flaw) if flaw else None


def wet_until(wet_from: datetime, wet_seconds: int) -> datetime:
    """The first instant at which a surface wet since `wet_from` has had its time."""
    return wet_from + timedelta(seconds=wet_seconds)


def _open(
    plan: TurnoverPlan, counted: Sequence[StepDone], before: TurnoverStep | None = None
) -> tuple[str, ...]:
    done = {each.code for each in counted}
    until = len(plan.steps) if before is None else plan.steps.index(before)
    return tuple(s.code for s in plan.steps[:until] if s.required and s.code not in done)


def _wet_flaw(terms: TurnoverTerms, done: StepDone, *, not_before: datetime) -> NotCounted | None:
    if done.wet_seconds is None or done.wet_seconds <= 0:
        return NotCounted.NO_LABEL_WET_TIME
    if terms.blood_seen and not done.hospital_type:
        return NotCounted.AGENT_NOT_FOR_BLOOD
    # Wet before the cleaning was done is wet on soiled ground: it starts over.
    if done.wet_from is None or done.wet_from < not_before:
        return NotCounted.WET_TIME_SHORT
    too_short = done.at < wet_until(done.wet_from, done.wet_seconds)
    return NotCounted.WET_TIME_SHORT if too_short else None
