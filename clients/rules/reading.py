"""From the parsed data of a rule file, without faults (see `checks`), to a rule set."""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from clients.rules.areas import AreaTree, area_tree
from clients.rules.dates import Unit, Window
from clients.rules.model import (
    AboutClient,
    Asked,
    ComesAfter,
    Flagged,
    Kind,
    Lift,
    Method,
    PatchTest,
    PatchTested,
    Phase,
    Question,
    Reach,
    Rule,
    RuleSet,
    Source,
    Strength,
    Trigger,
    Verdict,
)

Data = Mapping[str, Any]


def rule_set_from(data: Data, *, digest: str) -> RuleSet:
    """The rule set that `data` describes; `data` has passed the schema and has no faults."""
    tree = area_tree(data["areas"])
    methods = {name: _method(name, given) for name, given in data["methods"].items()}
    rules = tuple(rule_from(given, tree=tree, methods=methods) for given in data["rules"])
    kinds = {name: _kind(name, given) for name, given in data["kinds"].items()}
    return RuleSet(
        version=data["version"],
        digest=digest,
        notice=data["notice"],
        tree=tree,
        methods=methods,
        kinds=kinds,
        questions=tuple(_question(given) for given in data["questions"]),
        conditions=data["conditions"],
        flags=data["flags"],
        prompts=data["prompts"],
        ingredients=_ingredients(rules, kinds),
        rules=rules,
    )


def rule_from(given: Data, *, tree: AreaTree, methods: Mapping[str, Method]) -> Rule:
    """One rule; no methods means all of them, no areas the whole body.

    A line touches a named area also by containing it: what forbids the lip forbids the full face.
    Only an order of lines means just the named areas and what is in them.
    """
    return Rule(
        id=given["id"],
        title=given["title"],
        trigger=_trigger(given, tree, methods),
        methods=methods_named(given.get("methods"), methods),
        areas=_areas(given.get("areas"), tree, only_within="not_after" in given),
        verdict=Verdict(given["verdict"]),
        caution=given["caution"],
        sources=tuple(_source(source) for source in given["sources"]),
        reach=Reach(given.get("reach", "area")),
        phase=Phase(given.get("phase", "any")),
        since=window_from(given.get("since")),
        ahead=window_from(given.get("ahead")),
        condition=given.get("condition"),
        lifted_by=Lift(given["lifted_by"]) if "lifted_by" in given else None,
        overridable_by=tuple(given["overridable_by"]),
    )


def methods_named(names: Iterable[str] | None, methods: Mapping[str, Method]) -> frozenset[str]:
    """The methods that `names` mean, by their own id or by a family; None means all."""
    if names is None:
        return frozenset(methods)
    wanted = frozenset(names)
    return frozenset(m.id for m in methods.values() if m.id in wanted or m.families & wanted)


def window_from(given: Mapping[str, int] | None) -> Window | None:
    """A window written as one unit and its count, e.g. {"weeks": 2}."""
    if given is None:
        return None
    ((unit, count),) = given.items()
    return Window(count=count, unit=Unit(unit))


def _areas(names: Iterable[str] | None, tree: AreaTree, *, only_within: bool) -> frozenset[str]:
    if names is None:
        return frozenset(tree.touching)
    return tree.all_within(names) if only_within else tree.all_touching(names)


def _trigger(given: Data, tree: AreaTree, methods: Mapping[str, Method]) -> Trigger:
    if "flag" in given:
        return Flagged(flag=given["flag"])
    if "patch_test" in given:
        return PatchTested(status=PatchTest(given["patch_test"]))
    if "not_after" in given:
        earlier = given["not_after"]
        return ComesAfter(
            methods=methods_named(earlier.get("methods"), methods),
            areas=_areas(earlier.get("areas"), tree, only_within=True),
            same_area=earlier["same_area"],
            reorder=earlier["reorder"],
        )
    return AboutClient(
        kinds=frozenset(given["about"]),
        details=frozenset(given.get("details", ())),
        below=_millimetres(given.get("below_mm")),
        above=_millimetres(given.get("above_mm")),
        ingredients=given.get("ingredients"),
    )


def _millimetres(given: str | None) -> Decimal | None:
    return None if given is None else Decimal(given)


def _method(name: str, given: Data) -> Method:
    return Method(
        id=name,
        families=frozenset(given["families"]),
        uses_product=given["uses_product"],
        instead=tuple(given.get("instead", ())),
    )


def _kind(name: str, given: Data) -> Kind:
    return Kind(
        id=name,
        title=given["title"],
        told=given["told"],
        seen=given["seen"],
        lasts_until=given.get("lasts_until"),
        may_be_planned=given.get("may_be_planned", False),
        details=frozenset(given.get("details", ())),
        foreseen_days=given.get("foreseen_days"),
    )


def _question(given: Data) -> Question:
    return Question(
        id=given["id"],
        text=given["text"],
        asked=Asked(given["asked"]),
        kinds=frozenset(given["kinds"]),
        sources=tuple(_source(source) for source in given["sources"]),
    )


def _source(given: Data) -> Source:
    return Source(
        ref=given["ref"],
        strength=Strength(given["strength"]),
        says=given.get("says", ""),
        fact=given.get("fact", ""),
        since=window_from(given.get("since")),
        ahead=window_from(given.get("ahead")),
    )


def _ingredients(rules: Iterable[Rule], kinds: Mapping[str, Kind]) -> frozenset[str]:
    """The codes a line's ingredients may have: those of the kinds matched against them."""
    triggers = (rule.trigger for rule in rules)
    matched = (t.kinds for t in triggers if isinstance(t, AboutClient) and t.ingredients)
    return frozenset(code for names in matched for name in names for code in kinds[name].details)
