"""A house's own policy on top of the shipped rules: it may tighten, and choose within customs.

It works on parsed data, so that the result goes through the same checks as any rule file.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from clients.rules.checks import Fault
from clients.rules.dates import Window, at_least_as_long
from clients.rules.model import AboutClient, Rule, RuleSet

Data = Mapping[str, Any]

_CHANGEABLE = ("since", "ahead", "verdict", "overridable_by")


def with_house_policy(data: Data, policy: Data) -> dict[str, Any]:
    """`data` with the changes and the further rules of `policy`, under a version naming both.

    A changed rule gets the house as a further source, so that whoever reads a reason sees whose
    number it is. Nothing is checked here: see `policy_faults` before and `loosened` after.
    """
    changes = {change["rule"]: change for change in policy.get("tighten", ())}
    rules = [_changed(rule, changes.get(rule["id"])) for rule in data["rules"]]
    return {
        **data,
        "version": f"{data['version']}+{policy['version']}",
        "rules": [*rules, *policy.get("rules", ())],
    }


def _changed(rule: Data, change: Data | None) -> Data:
    if change is None:
        return rule
    new: dict[str, Any] = {name: change[name] for name in _CHANGEABLE if name in change}
    windows = {side: new[side] for side in ("since", "ahead") if side in new}
    source: Data = {"ref": "house policy", "strength": "house_policy", "says": change["why"]}
    return {**rule, **new, "sources": [*rule["sources"], {**source, **windows}]}


def policy_faults(data: Data, policy: Data) -> Iterator[Fault]:
    """What in `policy` names no shipped rule, or claims more than house policy for its own."""
    shipped = {rule["id"] for rule in data["rules"]}
    for change in policy.get("tighten", ()):
        if change["rule"] not in shipped:
            message = f"There is no rule {change['rule']!r} to change."
            yield Fault(code="unknown-rule", where=change["rule"], message=message)
    for rule in policy.get("rules", ()):
        strengths = {source["strength"] for source in rule.get("sources", ())}
        if not strengths <= {"house_policy"}:
            message = "A rule of the house is house policy and nothing stronger."
            yield Fault(code="not-house-policy", where=rule["id"], message=message)


def loosened(shipped: RuleSet, house: RuleSet) -> Iterator[Fault]:
    """Every shipped rule that asks for less under the house's policy than it may.

    A rule with a published source keeps at least its own window; one that rests on customs keeps
    at least the shortest of the customs on file.
    """
    for old in shipped.rules:
        new = house.rule(old.id)
        if new is None:
            yield Fault(code="loosened", where=old.id, message="It is gone.")
            continue
        for what in _less_asked(old, new):
            yield Fault(code="loosened", where=old.id, message=f"Its {what} asks for less.")


def _less_asked(old: Rule, new: Rule) -> Iterator[str]:
    if new.verdict < old.verdict:
        yield "verdict"
    if not set(new.overridable_by) <= set(old.overridable_by):
        yield "override"
    if isinstance(old.trigger, AboutClient) and old.since is None and old.ahead is None:
        # Without any window the rule stands for good: any window is shorter.
        if new.since or new.ahead:
            yield "window"
        return
    if not _long_enough(old, old.since, new.since, [s.since for s in old.sources]):
        yield "time since"
    if not _long_enough(old, old.ahead, new.ahead, [s.ahead for s in old.sources]):
        yield "time ahead"


def _long_enough(
    rule: Rule, old: Window | None, new: Window | None, given: list[Window | None]
) -> bool:
    if rule.is_published:
        return at_least_as_long(new, old)
    return any(at_least_as_long(new, floor) for floor in (old, *filter(None, given)))
