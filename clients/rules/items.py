"""What a consultation brings as plain JSON: checked against the rules' words before it is kept.

Sent in: an answer `{"question", "answer"}`; a declaration `{"kind", "areas", "when", "still",
"details"}` (`when` as in `when`); a finding `{"code", "areas", "millimetres"}`. Kept: the same, a
declaration with the days that its `when` meant that day, `earliest_on` and `latest_on`, null where
not known. Pure. Reading what was kept back into `cases` is in `told`.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any

from clients.rules.cases import Answer, Declaration, Finding
from clients.rules.dates import DateRange
from clients.rules.inputs import MOST_DECLARATIONS, check_input
from clients.rules.model import RuleSet
from clients.rules.parts import Fault, Part, fault
from clients.rules.when import days_told
from spa_ops.kernel.problems import InvalidInput


class ItemKind(StrEnum):
    """What one kept thing is. `met` is a rule whose condition was met for a line: seen or released."""

    ANSWER = "answer"
    DECLARATION = "declaration"
    FINDING = "finding"
    MET = "met"


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthItem:
    """One thing said or seen, to be kept: `content` is JSON of the shape of its kind."""

    kind: str
    content: Mapping[str, Any]


def items_from(
    *,
    rule_set: RuleSet,
    today: date,
    answers: Sequence[object] = (),
    declarations: Sequence[object] = (),
    findings: Sequence[object] = (),
) -> list[HealthItem]:
    """What was sent in, each thing in the one form it is kept in. `today` is the location's date.

    Raises InvalidInput with a pointer to every unknown field, word, area or question, every wrong
    type, impossible day and doubled answer.
    """
    items: list[HealthItem] = []
    faults: list[Fault] = []
    read: _Reading
    for place, read, given in (
        ("answers", _answer, answers),
        ("declarations", _declaration, declarations),
        ("findings", _finding, findings),
    ):
        if len(given) > MOST_DECLARATIONS:
            faults.append(fault(f"/{place}", "too-many", f"takes up to {MOST_DECLARATIONS}"))
            continue
        for n, raw in enumerate(given):
            if not isinstance(raw, Mapping):
                faults.append(fault(f"/{place}/{n}", "invalid", "must be an object"))
                continue
            part = Part(raw, f"/{place}/{n}")
            items.append(read(part, rule_set, today))
            faults += part.faults
    faults += _doubled(items)
    if faults:
        raise InvalidInput(*faults)
    return items


_Reading = Callable[[Part, RuleSet, date], HealthItem]


def _answer(part: Part, rule_set: RuleSet, today: date) -> HealthItem:
    part.only("question", "answer")
    question, word = part.code("question"), part.code("answer")
    if word and word not in set(Answer):
        part.wrong("answer", "invalid", "must be yes, no or not_answered")
    _check(part, rule_set, today, answers={question: Answer.NOT_ANSWERED})
    return HealthItem(kind=ItemKind.ANSWER, content={"question": question, "answer": word})


def _declaration(part: Part, rule_set: RuleSet, today: date) -> HealthItem:
    part.only("kind", "areas", "when", "still", "details")
    name, still, when = part.code("kind"), part.flag("still"), part.part("when")
    content: dict[str, Any] = {
        "kind": name,
        "areas": part.codes("areas"),
        "details": part.codes("details"),
    }
    kind = rule_set.kinds.get(name)
    days = DateRange(earliest=date.min, latest=date.max)
    if kind is not None:
        days = days_told(when, kind, today)
        if still is not None and kind.lasts_until is None:
            part.wrong("still", "does-not-last", "This happens on a day; it does not go on.")
    content |= {
        "still": still,
        "earliest_on": None if days.earliest == date.min else days.earliest.isoformat(),
        "latest_on": None if days.latest == date.max else days.latest.isoformat(),
        "when": None if when is None else json.loads(json.dumps(dict(when.raw), default=str)),
    }
    _check(part, rule_set, today, declarations=[declaration_from(content)])
    return HealthItem(kind=ItemKind.DECLARATION, content=content)


def _finding(part: Part, rule_set: RuleSet, today: date) -> HealthItem:
    part.only("code", "areas", "millimetres")
    content = {
        "code": part.code("code"),
        "areas": part.codes("areas"),
        "millimetres": part.length("millimetres"),
    }
    _check(part, rule_set, today, findings=[finding_from(content)])
    return HealthItem(kind=ItemKind.FINDING, content=content)


#: Where the rules' own pointers belong in one part.
_MOVED = {"/answers": "/question", "/declarations/0": "", "/findings/0": ""}


def _check(part: Part, rule_set: RuleSet, today: date, **given: Any) -> None:
    """Let the rules check their own words, once the rest is right."""
    if part.faults:
        return
    case: dict[str, Any] = {"lines": (), "answers": {}, "declarations": (), "findings": ()}
    try:
        check_input(rule_set=rule_set, today=today, **(case | given))
    except InvalidInput as problem:
        for error in problem.fields["errors"]:
            before = next(start for start in _MOVED if error["pointer"].startswith(start))
            moved = part.at + _MOVED[before] + error["pointer"].removeprefix(before)
            part.faults.append({**error, "pointer": moved})


def _doubled(items: Sequence[HealthItem]) -> list[Fault]:
    asked = [i.content["question"] for i in items if i.kind == ItemKind.ANSWER]
    return [
        fault(f"/answers/{n}/question", "doubled", "is answered twice")
        for n, question in enumerate(asked)
        if question in asked[:n]
    ]


def declaration_from(content: Mapping[str, Any]) -> Declaration:
    """A declaration as screening takes it; days that are not known stand at the calendar's ends."""
    earliest, latest = content["earliest_on"], content["latest_on"]
    return Declaration(
        kind=content["kind"],
        when=DateRange(
            earliest=date.fromisoformat(earliest) if earliest else date.min,
            latest=date.fromisoformat(latest) if latest else date.max,
        ),
        areas=frozenset(content["areas"]),
        still=content["still"],
        details=frozenset(content["details"]),
    )


def finding_from(content: Mapping[str, Any]) -> Finding:
    """A finding as screening takes it."""
    length = content["millimetres"]
    return Finding(
        code=content["code"],
        areas=frozenset(content["areas"]),
        millimetres=None if length is None else Decimal(length),
    )
