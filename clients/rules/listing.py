"""A rule set laid out to be read: each rule with what it bears on, its windows and its sources. Pure."""

from collections.abc import Iterable, Sequence
from typing import Any

from clients.rules.dates import Window
from clients.rules.model import (
    AboutClient,
    ComesAfter,
    Flagged,
    PatchTested,
    Rule,
    RuleSet,
    Trigger,
)


def listed(rule_set: RuleSet) -> list[dict[str, Any]]:
    """Every rule as JSON values, in the order of the files."""
    return [_listed(rule, rule_set) for rule in rule_set.rules]


def _listed(rule: Rule, rule_set: RuleSet) -> dict[str, Any]:
    return {
        "id": rule.id,
        "title": rule.title,
        "verdict": rule.verdict.value,
        "about": _about(rule.trigger),
        "methods": sorted(rule.methods),
        "areas": _or_all(rule.areas, rule_set.tree.touching),
        "reach": rule.reach.value,
        "since": _length(rule.since),
        "ahead": _length(rule.ahead),
        "lifted_by": rule.lifted_by.value if rule.lifted_by else None,
        "overridable_by": list(rule.overridable_by),
        "caution": rule.caution,
        "sources": [
            {
                "ref": source.ref,
                "strength": source.strength.value,
                "says": source.says,
                "since": _length(source.since),
                "ahead": _length(source.ahead),
            }
            for source in rule.sources
        ],
    }


def _about(trigger: Trigger) -> list[str]:
    match trigger:
        case AboutClient(kinds=kinds, details=details):
            return sorted(f"{k}: {d}" for k in kinds for d in details) if details else sorted(kinds)
        case Flagged(flag=flag):
            return [flag]
        case PatchTested(status=status):
            return [f"patch test {status.value}"]
        case ComesAfter(methods=methods):
            return [f"after {method}" for method in sorted(methods)]


def _or_all(named: frozenset[str], known: Iterable[str]) -> list[str]:
    return ["all"] if named == frozenset(known) else sorted(named)


def _length(window: Window | None) -> str | None:
    return None if window is None else str(window)


def as_table(rule_set: RuleSet) -> list[str]:
    """Rule, verdict, window, source, strength and what the source says: one line for each source."""
    rows: list[Sequence[str]] = [
        ("rule", "verdict", "since", "ahead", "strength", "source", "says")
    ]
    for rule in listed(rule_set):
        windows = (rule["since"] or "-", rule["ahead"] or "-")
        for n, source in enumerate(rule["sources"]):
            own = (rule["id"], rule["verdict"], *windows) if n == 0 else ("", "", "", "")
            rows.append((*own, source["strength"], source["ref"], source["says"]))
    widths = [max(len(row[i]) for row in rows) for i in range(6)]
    return [
        "  ".join([*(cell.ljust(w) for cell, w in zip(row, widths, strict=False)), row[6]]).rstrip()
        for row in rows
    ]
