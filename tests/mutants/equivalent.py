"""Mutants that no test can notice, and why: they change how a verdict is reached, not which."""

#: (module, the line and how it was changed) -> why it gives the same.
EQUIVALENT: dict[tuple[str, str], str] = {
    (
        "areas",
        "region = {area: line[-2] if len(line) > 1 else area for area, line in above.items()}: 1 -> 2",
    ): "the line of a region is itself and the root: its last but one is the region",
    (
        "engine",
        "_alike: dict[tuple[object, ...], list[_Hit]] = field(default_factory=dict, init=False): False -> True",
    ): "nobody gives it",
    (
        "engine",
        "if key not in self._alike:: if True",
    ): "found anew each time: the same, only slower",
    (
        "engine",
        "ingredients=line.ingredients if method.uses_product else frozenset(),: if True",
    ): "rules about ingredients bear on methods with products alone, which a test holds them to",
    (
        "engine",
        "unclear=self._unclear(rule, line, thing) if stands else frozenset(),: if True",
    ): "only what stands on the day becomes a reason",
    (
        "engine",
        "and other.position < line.position: Lt -> LtE",
    ): "no two lines of a day have one place, and no rule has a line come after itself: rule files with a cycle are refused",
}
