"""Every shipped rule against the table written by hand, and every change of one noticed by it."""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

import pytest

from clients.rules.dates import Window
from clients.rules.model import (
    AboutClient,
    ComesAfter,
    Flagged,
    Kind,
    Lift,
    PatchTest,
    PatchTested,
    Phase,
    Reach,
    Rule,
    Verdict,
)
from tests.clients.rules.agreement import answer_wrong, failures, what_wrong, where_wrong
from tests.clients.rules.expected import ROWS
from tests.clients.rules.scenarios import RULES

BY_RULE = {row.rule: row for row in ROWS}


def test_the_table_has_every_rule_once_and_no_other():
    assert len(BY_RULE) == len(ROWS)
    assert set(BY_RULE) == {rule.id for rule in RULES.rules}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule)
def test_the_rule_does_what_the_table_says(row):
    assert list(failures(row, RULES)) == []


@pytest.mark.parametrize("rule", RULES.rules, ids=lambda rule: rule.id)
def test_every_change_of_the_rule_is_noticed(rule):
    unnoticed = [
        what
        for look, mutants in MUTANTS
        for what, changed in mutants(rule)
        if next(look(BY_RULE[rule.id], replace(RULES, rules=(changed,), questions=())), None)
        is None
    ]
    assert unnoticed == []


def _other_answers(rule: Rule) -> Iterator[tuple[str, Rule]]:
    for verdict in Verdict:
        if verdict is not rule.verdict:
            yield f"verdict {verdict.value}", replace(rule, verdict=verdict)
    for name, others in (("lifted_by", [None, *Lift]), ("overridable_by", [(), ("lead",)])):
        for other in others:
            if other != getattr(rule, name):
                yield f"{name} {other}", replace(rule, **{name: other})
    if rule.condition:
        yield "condition", replace(rule, condition="over")


def _other_windows(rule: Rule) -> Iterator[tuple[str, Rule]]:
    for side in ("since", "ahead"):
        window = getattr(rule, side)
        if window is None:
            continue
        for count in {max(1, window.count - 1), window.count + 1} - {window.count}:
            yield f"{side} {count}", replace(rule, **{side: Window(count=count, unit=window.unit)})


def _other_places(rule: Rule) -> Iterator[tuple[str, Rule]]:
    for method in sorted(RULES.methods):
        yield f"method {method}", replace(rule, methods=rule.methods ^ {method})
    # An order of lines is tried on the table's few areas only.
    areas = [] if isinstance(rule.trigger, ComesAfter) else sorted(RULES.tree.touching)
    for area in areas[:: 1 if len(rule.areas) < len(areas) else 7]:
        yield f"area {area}", replace(rule, areas=rule.areas ^ {area})


def _could_set_off(rule: Rule, kind: Kind) -> bool:
    """Whether naming `kind` could change the rule: not if it never has such a phase or form."""
    if isinstance(rule.trigger, AboutClient) and rule.trigger.ingredients == "shared":
        return kind.id in rule.trigger.kinds
    in_phase = kind.lasts_until is not None and (rule.phase is Phase.ONGOING or kind.told)
    return rule.phase is Phase.ANY or in_phase


def _other_kinds(rule: Rule) -> Iterator[tuple[str, Rule]]:
    if not isinstance(rule.trigger, AboutClient):
        return
    trigger = rule.trigger
    could = sorted(kind.id for kind in RULES.kinds.values() if _could_set_off(rule, kind))
    for kind in sorted(trigger.kinds | set(could[::9])):
        yield f"kind {kind}", replace(rule, trigger=replace(trigger, kinds=trigger.kinds ^ {kind}))


def _other_triggers(rule: Rule) -> Iterator[tuple[str, Rule]]:
    match rule.trigger:
        case AboutClient() as trigger:
            changed = [
                replace(trigger, details=trigger.details - {detail}) for detail in trigger.details
            ]
            for side in ("below", "above"):
                if bound := getattr(trigger, side):
                    changed += [
                        replace(trigger, **{side: bound + step})
                        for step in (Decimal("-0.01"), Decimal("0.01"))
                    ]
            if trigger.ingredients:
                other = "shared" if trigger.ingredients == "not_known" else "not_known"
                changed.append(replace(trigger, ingredients=other))
        case Flagged(flag=flag):
            changed = [Flagged(flag=other) for other in RULES.flags if other != flag]
        case PatchTested(status=status):
            changed = [PatchTested(status=other) for other in PatchTest if other is not status]
        case ComesAfter() as trigger:
            changed = [replace(trigger, same_area=not trigger.same_area)]
            methods = trigger.methods if trigger.same_area else ()
            changed += [replace(trigger, methods=trigger.methods - {method}) for method in methods]
    yield from ((repr(trigger), replace(rule, trigger=trigger)) for trigger in changed)


def _other_reach(rule: Rule) -> Iterator[tuple[str, Rule]]:
    for reach in Reach if isinstance(rule.trigger, AboutClient) else ():
        if reach is not rule.reach:
            yield f"reach {reach}", replace(rule, reach=reach)


def _other_phases(rule: Rule) -> Iterator[tuple[str, Rule]]:
    kinds = rule.trigger.kinds if isinstance(rule.trigger, AboutClient) else ()
    if kinds and all(RULES.kinds[kind].lasts_until for kind in kinds):
        for phase in Phase:
            if phase is not rule.phase:
                yield f"phase {phase}", replace(rule, phase=phase)


#: What may notice a change, and the rule changed by one step, with what was changed.
MUTANTS = [
    (failures, _other_windows),
    (failures, _other_phases),
    (answer_wrong, _other_answers),
    (where_wrong, _other_reach),
    (where_wrong, _other_places),
    (what_wrong, _other_kinds),
    (failures, _other_triggers),
]
