"""What is wrong with the parsed data of a rule file? Every fault is named; none is repaired.

The data has passed the schema: shapes are right, meanings may not be.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from clients.rules.areas import areas_with_two_parents, cycle_in, roots
from clients.rules.dates import at_least_as_long
from clients.rules.model import AboutClient, ComesAfter, Lift, Phase, Rule, RuleSet, Verdict
from clients.rules.reading import rule_set_from, window_from

Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong: a code, the place (a rule's id or a section) and a sentence."""

    code: str
    where: str
    message: str


def faults_in(data: Data) -> list[Fault]:
    """Every fault found in `data`; later kinds are looked for only where earlier ones are not."""
    faults = [*_tree_faults(data["areas"]), *_doubled_ids(data)]
    faults += [*_missing_sources(data), *_unknown_words(data)]
    if not faults:
        faults += _meaning_faults(rule_set_from(data, digest=""), data)
    return faults


def _tree_faults(children: Mapping[str, list[str]]) -> Iterator[Fault]:
    if cycle := cycle_in(children):
        yield Fault(code="area-cycle", where="areas", message=" in ".join(cycle))
    for area in areas_with_two_parents(children):
        yield Fault(code="area-twice", where="areas", message=f"{area} lies in two places.")
    if not cycle and len(roots(children)) != 1:
        names = ", ".join(roots(children))
        yield Fault(code="area-roots", where="areas", message=f"One root is needed, not {names}.")


def _doubled_ids(data: Data) -> Iterator[Fault]:
    for section in ("rules", "questions"):
        ids = [entry["id"] for entry in data[section]]
        for name in sorted({name for name in ids if ids.count(name) > 1}):
            yield Fault(code="duplicate-id", where=name, message=f"{name} is there twice.")


def _missing_sources(data: Data) -> Iterator[Fault]:
    for entry in (*data["rules"], *data["questions"]):
        if not entry.get("sources"):
            yield Fault(code="missing-source", where=entry["id"], message="Nothing backs it.")


def _unknown_words(data: Data) -> Iterator[Fault]:
    known = _vocabulary(data)
    for where, what, names in _words_used(data):
        for name in sorted(set(names) - known[what]):
            message = f"There is no {what} {name!r} in this rule set."
            yield Fault(code=f"unknown-{what}", where=where, message=message)


def _vocabulary(data: Data) -> dict[str, set[str]]:
    """The words there are, by what they are; details belong to kinds and are looked up there."""
    families = {family for method in data["methods"].values() for family in method["families"]}
    inside = {area for areas in data["areas"].values() for area in areas}
    return {
        "area": {*data["areas"], *inside},
        "method": {*data["methods"], *families},
        "method-itself": set(data["methods"]),
        "kind": set(data["kinds"]),
        "condition": set(data["conditions"]),
        "flag": set(data["flags"]),
        "detail": set(),
    }


def _words_used(data: Data) -> Iterator[tuple[str, str, Iterable[str]]]:
    """Every use of a word as (where, which vocabulary, the words)."""
    for rule in data["rules"]:
        yield from _words_of_rule(rule)
        kinds = (data["kinds"].get(kind, {}) for kind in rule.get("about", ()))
        strange = set(rule.get("details", ())).difference(*(k.get("details", ()) for k in kinds))
        yield rule["id"], "detail", strange
    for question in data["questions"]:
        yield question["id"], "kind", question["kinds"]
    for name, kind in data["kinds"].items():
        yield name, "condition", [kind["lasts_until"]] if "lasts_until" in kind else []
    for name, method in data["methods"].items():
        yield name, "method-itself", method.get("instead", ())


def _words_of_rule(rule: Data) -> Iterator[tuple[str, str, Iterable[str]]]:
    for part in (rule, rule.get("not_after", {})):
        yield rule["id"], "area", part.get("areas", ())
        yield rule["id"], "method", part.get("methods", ())
    yield rule["id"], "kind", rule.get("about", ())
    yield rule["id"], "condition", [rule["condition"]] if "condition" in rule else []
    yield rule["id"], "flag", [rule["flag"]] if "flag" in rule else []


def _meaning_faults(rule_set: RuleSet, data: Data) -> Iterator[Fault]:
    yield from _silent_vocabulary(rule_set)
    for rule in rule_set.rules:
        yield from rule_faults(rule, rule_set)
    yield from _order_faults(rule_set)
    for rule_data in data["rules"]:
        yield from _looser_than_read(rule_data)


def _silent_vocabulary(rule_set: RuleSet) -> Iterator[Fault]:
    """A kind that nobody asks about, or that no rule knows, would pass in silence."""
    asked = frozenset[str]().union(*(question.kinds for question in rule_set.questions))
    triggers = [rule.trigger for rule in rule_set.rules]
    ruled = frozenset[str]().union(*(t.kinds for t in triggers if isinstance(t, AboutClient)))
    for kind in rule_set.kinds.values():
        if kind.told and kind.id not in asked:
            yield Fault(code="never-asked", where=kind.id, message="No question brings it up.")
        if kind.id not in ruled:
            yield Fault(code="never-judged", where=kind.id, message="No rule is about it.")


def rule_faults(rule: Rule, rule_set: RuleSet) -> Iterator[Fault]:
    """What makes one rule unable to do what it says."""
    if rule.verdict is Verdict.PROCEED:
        yield Fault(code="empty-verdict", where=rule.id, message="A rule can't say proceed.")
    if rule.verdict is Verdict.MEDICAL_RELEASE_FIRST and rule.lifted_by is not Lift.RELEASE:
        yield Fault(code="no-release", where=rule.id, message="A release must be able to lift it.")
    if rule.verdict is Verdict.WAIT_UNTIL and not (rule.since or rule.ahead or rule.condition):
        yield Fault(code="endless-wait", where=rule.id, message="A wait needs an end.")
    if rule.lifted_by is Lift.SIGHT and rule.condition is None:
        yield Fault(code="nothing-to-see", where=rule.id, message="What is to be seen met?")
    if isinstance(rule.trigger, AboutClient) and rule.phase is not Phase.ANY:
        kinds = (rule_set.kinds[kind] for kind in sorted(rule.trigger.kinds))
        for kind in kinds:
            if kind.lasts_until is None:
                message = f"{kind.id} does not last, so it has no such phase."
                yield Fault(code="no-phase", where=rule.id, message=message)


def _order_faults(rule_set: RuleSet) -> Iterator[Fault]:
    """Rules of order that can be put right by reordering must leave one order that fits all."""
    must_precede: dict[str, set[str]] = {}
    for rule in rule_set.rules:
        if isinstance(rule.trigger, ComesAfter) and rule.trigger.reorder:
            for later, earlier in _pairs(rule, rule.trigger, rule_set):
                must_precede.setdefault(later, set()).add(earlier)
    if cycle := cycle_in(must_precede):
        yield Fault(code="order-cycle", where="rules", message=" before ".join(cycle))


def _pairs(rule: Rule, trigger: ComesAfter, rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    """Each pair (what must come later, what must come earlier) of a method and an area."""
    for area in trigger.areas:
        near = rule_set.tree.touching[area] if trigger.same_area else rule_set.tree.touching
        for other in rule.areas.intersection(near):
            for method in trigger.methods:
                for earlier in rule.methods:
                    yield f"{method} on {area}", f"{earlier} on {other}"


def _looser_than_read(rule: Data) -> Iterator[Fault]:
    """A window must be as long as the strictest one among the sources that were read."""
    for side in ("since", "ahead"):
        own = window_from(rule.get(side))
        for source in rule["sources"]:
            read = source["strength"] == "published_and_read"
            if read and not at_least_as_long(own, window_from(source.get(side))):
                message = f"{side} {own} is shorter than {source['ref']} says."
                yield Fault(code="looser-than-published", where=rule["id"], message=message)
