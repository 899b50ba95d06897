"""Is what is to be screened made of known words and possible days? Says where it is not.

Everything here raises the kernel's InvalidInput with a JSON pointer into `lines`, `answers`,
`declarations` or `findings`; nothing is judged yet.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

from clients.rules.cases import (
    Answer,
    Declaration,
    Finding,
    LineToScreen,
)
from clients.rules.model import (
    Lift,
    RuleSet,
)
from spa_ops.kernel.problems import InvalidInput

#: More than any consultation brings; beyond it the input is a mistake or an attack (house policy).
MOST_DECLARATIONS = 500
MOST_LINES = 200

Fault = dict[str, str]


def check_input(
    *,
    rule_set: RuleSet,
    lines: Sequence[LineToScreen],
    answers: Mapping[str, Answer],
    declarations: Sequence[Declaration],
    findings: Sequence[Finding],
    today: date,
) -> None:
    """Return quietly if all of it can be screened; raise InvalidInput naming each wrong place."""
    faults = [
        *_too_many("/lines", lines, MOST_LINES),
        *_too_many("/declarations", declarations, MOST_DECLARATIONS),
        *_too_many("/findings", findings, MOST_DECLARATIONS),
    ]
    if not faults:
        faults = [
            *_line_faults(rule_set, lines),
            *_answer_faults(rule_set, answers),
            *_declaration_faults(rule_set, declarations, today),
            *_finding_faults(rule_set, findings),
        ]
    if faults:
        raise InvalidInput(*faults)


def _fault(pointer: str, code: str, message: str) -> Fault:
    return {"pointer": pointer, "code": code, "message": message}


def _unknown(
    pointer: str, what: str, given: Iterable[str], known: Iterable[str]
) -> Iterator[Fault]:
    for name in sorted(set(given).difference(known)):
        yield _fault(pointer, f"unknown-{what}", f"There is no {what} {name!r} in these rules.")


def _too_many(pointer: str, given: Sequence[object], most: int) -> Iterator[Fault]:
    if len(given) > most:
        yield _fault(pointer, "too-many", f"{len(given)} are more than the {most} that are taken.")


def _line_faults(rule_set: RuleSet, lines: Sequence[LineToScreen]) -> Iterator[Fault]:
    keys: set[str] = set()
    places: set[tuple[date, int]] = set()
    for n, line in enumerate(lines):
        at = f"/lines/{n}"
        if line.key in keys:
            yield _fault(f"{at}/key", "doubled-key", f"The key {line.key!r} is there twice.")
        keys.add(line.key)
        if (line.on, line.position) in places:
            yield _fault(f"{at}/position", "doubled-position", "Another line of that day is there.")
        places.add((line.on, line.position))
        yield from _unknown(f"{at}/area", "area", [line.area], rule_set.tree.touching)
        yield from _unknown(f"{at}/method", "method", [line.method], rule_set.methods)
        yield from _unknown(f"{at}/flags", "flag", line.flags, rule_set.flags)
        if line.met:
            yield from _unknown(f"{at}/met", "liftable-rule", line.met, _liftable(rule_set))
        yield from _unknown(
            f"{at}/ingredients", "ingredient", line.ingredients or (), rule_set.ingredients
        )


def _liftable(rule_set: RuleSet) -> set[str]:
    """The rules that a release or a look can meet; a patch test meets by its own status."""
    return {rule.id for rule in rule_set.rules if rule.lifted_by in {Lift.RELEASE, Lift.SIGHT}}


def _answer_faults(rule_set: RuleSet, answers: Mapping[str, Answer]) -> Iterator[Fault]:
    yield from _unknown("/answers", "question", answers, [q.id for q in rule_set.questions])


def _declaration_faults(
    rule_set: RuleSet, declarations: Sequence[Declaration], today: date
) -> Iterator[Fault]:
    told = {kind.id: kind for kind in rule_set.kinds.values() if kind.told}
    for n, said in enumerate(declarations):
        at = f"/declarations/{n}"
        yield from _unknown(f"{at}/kind", "kind", [said.kind], told)
        yield from _unknown(f"{at}/areas", "area", said.areas, rule_set.tree.touching)
        if kind := told.get(said.kind):
            yield from _unknown(f"{at}/details", "detail", said.details, kind.details)
            if said.when.earliest > today and not kind.may_be_planned:
                yield _fault(f"{at}/when", "in-the-future", "This cannot lie in the future.")


def _finding_faults(rule_set: RuleSet, findings: Sequence[Finding]) -> Iterator[Fault]:
    seen = [kind.id for kind in rule_set.kinds.values() if kind.seen]
    for n, found in enumerate(findings):
        yield from _unknown(f"/findings/{n}/code", "finding", [found.code], seen)
        yield from _unknown(f"/findings/{n}/areas", "area", found.areas, rule_set.tree.touching)
