"""When a room will be ready again: from its own past, never sooner than the work can be done. Pure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median

from rooms.rules.turnover import TurnoverPlan, TurnoverStep

#: Nothing that was really done takes less (house policy).
SHORTEST_STEP_SECONDS = 15
#: So many of a room's latest turnovers count (house policy).
LATEST = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How long a room's turnovers take. `too_fast`: how many were faster than the work can be done."""

    shortest_seconds: int
    expected_seconds: int
    counted: int
    too_fast: int


def shortest_seconds(plan: TurnoverPlan, wet_seconds: int | None) -> int:
    """The least that a turnover takes: each required step, and the whole wet time of what is wet at one time.

    Without a label's wet time on file the wet steps count as any other.
    """
    required = [step for step in plan.steps if step.required]
    return sum(seconds for _, seconds in _least(required, wet_seconds))


def _least(
    steps: Iterable[TurnoverStep], wet_seconds: int | None
) -> Iterator[tuple[TurnoverStep, int]]:
    """Each step with what it takes at least after the one before; wet ones in a row are wet together."""
    was_wet = False
    for step in steps:
        if step.wet and wet_seconds:
            yield step, 0 if was_wet else wet_seconds
        else:
            yield step, SHORTEST_STEP_SECONDS
        was_wet = step.wet


def pace_of(past_seconds: Sequence[int], shortest: int) -> Pace:
    """What to expect after turnovers that took so long: their median, never below `shortest`.

    A turnover that was faster than the work can be done is a finding and no forecast: it is left out.
    """
    counted = [seconds for seconds in past_seconds if seconds >= shortest]
    return Pace(
        shortest_seconds=shortest,
        expected_seconds=round(median(counted)) if counted else shortest,
        counted=len(counted),
        too_fast=len(past_seconds) - len(counted),
    )


def pace_after(
    past: Sequence[tuple[int, int | None]], plan: TurnoverPlan, wet_seconds: int | None
) -> Pace:
    """What to expect of a turnover with this wet time, after (seconds, wet time) of earlier ones.

    Each is held to the wet time of the product that it was done with: one that was faster than that
    is too fast also when another product is taken now.
    """
    possible = [seconds for seconds, wet in past if seconds >= shortest_seconds(plan, wet)]
    pace = pace_of(possible, shortest_seconds(plan, wet_seconds))
    # What was possible then, and is not with the product in use now, is no finding.
    return replace(pace, too_fast=len(past) - len(possible))


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left of a turnover: the open required steps, and when the last one that counts was done."""

    open_required: Sequence[str]
    since: datetime


def ready_at(
    pace: Pace,
    *,
    plan: TurnoverPlan,
    wet_seconds: int | None,
    begun_at: datetime | None,
    left: Left | None,
    now: datetime,
) -> datetime:
    """When a room that is to be turned over will be ready; one that is not begun begins now at best.

    By its own past, and never before the open steps and their wet time can be over: what is not
    reported done is not done before now, so a surface may be wet since the step before it at best.
    """
    begun = begun_at or now
    at = left.since if left else now
    still_open = set(left.open_required) if left else {s.code for s in plan.steps if s.required}
    for step, seconds in _least(plan.steps, wet_seconds):
        if step.code in still_open:
            at = max(now, at + timedelta(seconds=seconds))
    return max(now, at, begun + timedelta(seconds=pace.expected_seconds))
