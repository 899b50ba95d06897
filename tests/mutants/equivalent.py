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
        'worst = max(hits, key=lambda hit: (not hit.met, _lateness(hit), hit.condition or "")): Or -> And',
    ): "of hits that last as long only the one whose condition is named may be another",
    (
        "engine",
        "later = [until for start, until in dated if start <= day < until]: Lt -> LtE",
    ): "what ends on the day moves it nowhere, and each end is passed once at most",
    (
        "engine",
        "day = max(later): max -> min",
    ): "each turn passes at least one end, and there are as many turns as ends",
    (
        "spans",
        "if not isinstance(trigger, AboutClient):: if False",
    ): "asked of rules about the client alone",
    (
        "spans",
        "ends = () if thing.when.is_exact else (thing.when.earliest, thing.when.latest): if False",
    ): "what is exact stands on the same days as itself",
    (
        "dates",
        "start = date(2023, 1, 1): 1 -> 2",
    ): "any day may begin the four years: each such span has one 29 February",
    (
        "dates",
        "return (start + timedelta(days=n) for n in range(4 * 365 + 1)): + -> -",
    ): "the four years before will do as well",
    (
        "dates",
        "return (start + timedelta(days=n) for n in range(4 * 365 + 1)): 4 -> 5",
    ): "more days than a leap cycle has tell nothing new",
    (
        "dates",
        "return (start + timedelta(days=n) for n in range(4 * 365 + 1)): 365 -> 366",
    ): "more days than a leap cycle has tell nothing new",
    (
        "told",
        "if said.when.latest <= today or rule_set.kinds[said.kind].may_be_planned:: LtE -> Lt",
    ): "what ended today is cut off at today: the same",
    (
        "dates",
        "return (start + timedelta(days=n) for n in range(4 * 365 + 1)): 1 -> 2",
    ): "more days than a leap cycle has tell nothing new",
    (
        "engine",
        "before = [x for x in self.lines if x.on == line.on and x.position < line.position]: Lt -> LtE",
    ): "no two lines of a day have one place, and no rule has a line come after itself: rule files with a cycle are refused",
    (
        "engine",
        "for rule, trigger in bearing.of_order if before else ():: if True",
    ): "of no lines before none comes before: the same, only slower",
    (
        "engine",
        "if hit.thing is None:: if False",
    ): "what no thing set off is of a rule about the line, which leaves nothing unclear",
    (
        "engine",
        "return replace(hit, unclear=unclear) if unclear else hit: if True",
    ): "a hit has nothing unclear to begin with",
    (
        "engine",
        "if not standing:: if False",
    ): "where nothing stands on the day no end is later than it",
    (
        "dates",
        "start = date(2023, 1, 1): 2023 -> 2024",
    ): "any day may begin the four years: each such span has one 29 February",
}
