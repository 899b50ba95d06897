"""What is kept of an incident, what of it is still to be done, and whether it is closed. Pure.

Nothing here is set: it all follows from the entries that stand, so that a struck-out entry takes
back whatever it had settled.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from services.rules.incidents import Hurt, IncidentKind
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.kernel.problems import InvalidInput


class IncidentState(StrEnum):
    """Where an incident stands."""

    OPEN = "open"
    CLOSED = "closed"
    STRUCK = "struck"


class EntryKind(StrEnum):
    """What one entry of an incident is. What it says is sealed."""

    WORDS = "words"
    ADVICE = "advice"
    STEP = "step"
    WITNESS = "witness"
    CALL_BACK = "call_back"
    EVALUATION_OFFER = "evaluation_offer"
    COMPANY_TOLD = "company_told"
    CLOSED = "closed"
    STRUCK = "struck"


class Evaluation(StrEnum):
    """What became of the medical evaluation that a hurt team member is offered."""

    OFFERED = "offered"
    ACCEPTED = "accepted"
    DECLINED = "declined"


class Serious(StrEnum):
    """What makes it serious: secondary notes on FD&C s. 605 (9.19)."""

    INFECTION = "infection"
    DEEP_BURN = "second_or_third_degree_burn"
    LASTING_RASH = "lasting_rash"
    HAIR_LOSS = "hair_loss"
    HOSPITAL_STAY = "hospital_stay"


#: Steps that have an entry kind of their own.
EVALUATION_STEP, COMPANY_STEP = "evaluation_offered", "tell_label_company"
#: Kinds that people write -> the fields each needs, and those it may have besides.
FIELDS: dict[EntryKind, tuple[frozenset[str], frozenset[str]]] = {
    EntryKind.WORDS: (frozenset({"text"}), frozenset({"serious"})),
    EntryKind.ADVICE: (frozenset({"text"}), frozenset()),
    EntryKind.STEP: (frozenset({"code"}), frozenset({"minutes", "text"})),
    EntryKind.WITNESS: (frozenset({"name"}), frozenset({"contact", "text"})),
    EntryKind.CALL_BACK: (frozenset({"hours", "reached", "text"}), frozenset({"serious"})),
    EntryKind.EVALUATION_OFFER: (frozenset({"outcome"}), frozenset({"text"})),
    EntryKind.COMPANY_TOLD: (frozenset({"company"}), frozenset({"text"})),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedStep:
    """A step as it was asked when the incident was reported. `minutes` is the least time it takes."""

    code: str
    text: str
    required: bool
    minutes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedCallBack:
    """Asking how it is, so many `hours` after it happened.

    A call counts from the beginning of the location's day on which it is due; it is overdue when
    that day is over (house policy).
    """

    hours: int
    due_at: datetime
    counts_from: datetime
    overdue_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry that stands. `occurred_at` is when it was done, as told."""

    kind: EntryKind
    content: Mapping[str, Any]
    occurred_at: datetime
    recorded_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """An incident with the entries that stand, oldest first; `serious` is what the report said of it."""

    steps: tuple[OwedStep, ...]
    call_backs: tuple[OwedCallBack, ...]
    entries: tuple[Entry, ...]
    serious: tuple[str, ...] = ()


def owed_call_backs(
    occurred_at: datetime, hours: Sequence[int], zone: str
) -> tuple[OwedCallBack, ...]:
    """The call-backs after something that happened at a location in `zone`."""
    found = []
    for one in hours:
        due_at = occurred_at + timedelta(hours=one)
        day = local_day(local_date(due_at, zone), zone)
        found.append(
            OwedCallBack(hours=one, due_at=due_at, counts_from=day.start, overdue_at=day.end)
        )
    return tuple(found)


def is_done(step: OwedStep, entries: Sequence[Entry]) -> bool:
    """Whether a step was done, for as long as it takes. An offer alone is not an answer to it."""
    if step.code == EVALUATION_STEP:
        answered = {Evaluation.ACCEPTED, Evaluation.DECLINED}
        return any(
            e.kind is EntryKind.EVALUATION_OFFER and e.content["outcome"] in answered
            for e in entries
        )
    if step.code == COMPANY_STEP:
        return any(e.kind is EntryKind.COMPANY_TOLD for e in entries)
    return any(
        e.kind is EntryKind.STEP
        and e.content["code"] == step.code
        and (step.minutes is None or (e.content.get("minutes") or 0) >= step.minutes)
        for e in entries
    )


def done_at(owed: OwedCallBack, entries: Sequence[Entry]) -> datetime | None:
    """When a call-back first reached the one who was hurt, early enough to say something; else None."""
    reached = (
        e.occurred_at
        for e in entries
        if e.kind is EntryKind.CALL_BACK
        and e.content["hours"] == owed.hours
        and e.content["reached"]
        and e.occurred_at >= owed.counts_from
    )
    return min(reached, default=None)


def open_steps(record: Record) -> list[str]:
    """The codes of the required steps that are not done."""
    return [s.code for s in record.steps if s.required and not is_done(s, record.entries)]


def due_call_backs(record: Record, at: datetime) -> list[OwedCallBack]:
    """The call-backs that are due at `at` and not done."""
    return [
        owed
        for owed in record.call_backs
        if owed.due_at <= at and done_at(owed, record.entries) is None
    ]


def closed_at(record: Record) -> datetime | None:
    """Since when it is closed: a closing holds as long as nothing is missing that it needed then."""
    closings = (
        e.occurred_at
        for e in record.entries
        if e.kind is EntryKind.CLOSED and not due_call_backs(record, e.occurred_at)
    )
    return None if open_steps(record) else min(closings, default=None)


def tell_company(record: Record) -> bool:
    """Whether the company named on the product's label should still be told.

    It is the one that reports (9.18, 9.20); that a spa passes it on is our inference.
    """
    said = {*record.serious, *(w for e in record.entries for w in e.content.get("serious", ()))}
    owed = [s for s in record.steps if s.code == COMPANY_STEP]
    return bool(said) and any(not is_done(step, record.entries) for step in owed)


def reaction_detail(kind: IncidentKind, *, allergic: bool) -> str | None:
    """Which detail of the declaration `reaction` an incident of a client is; None: no reaction."""
    match kind:
        case IncidentKind.BURN:
            return "burn"
        case IncidentKind.SKIN_LIFTED:
            return "lifted_skin"
        case IncidentKind.REACTION:
            return "allergic" if allergic else "redness"
        case _:
            return None


def check_entry(kind: EntryKind, given: Mapping[str, Any], record: Record, hurt: Hurt) -> None:
    """That an entry has the fields of its kind and fits its incident; raises `InvalidInput`."""
    needed, besides = FIELDS[kind]
    faults = [("required", name, "is needed here") for name in sorted(needed - given.keys())]
    faults += [
        ("unknown", name, f"does not go with {kind.value}")
        for name in sorted(given.keys() - needed - besides)
    ]
    faults = faults or _misfits(kind, given, record, hurt)
    if faults:
        raise InvalidInput(
            *({"pointer": f"/{name}", "code": code, "message": m} for code, name, m in faults)
        )


def _misfits(
    kind: EntryKind, given: Mapping[str, Any], record: Record, hurt: Hurt
) -> list[tuple[str, str, str]]:
    if kind is EntryKind.EVALUATION_OFFER and hurt is not Hurt.TEAM_MEMBER:
        return [("invalid", "kind", "an evaluation is offered to a team member")]
    if kind is EntryKind.CALL_BACK and given["hours"] not in {c.hours for c in record.call_backs}:
        return [("unknown", "hours", "is not a call-back of this incident")]
    if kind is not EntryKind.STEP:
        return []
    if given["code"] in {EVALUATION_STEP, COMPANY_STEP}:
        return [("invalid", "code", "has an entry kind of its own")]
    step = next((s for s in record.steps if s.code == given["code"]), None)
    if step is None:
        return [("unknown", "code", "is not a step of this incident")]
    if step.minutes is not None and "minutes" not in given:
        return [("required", "minutes", "say for how long")]
    return []
