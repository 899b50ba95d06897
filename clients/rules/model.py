"""The words of a rule set as values: verdicts, sources, kinds, questions, rules.

Values only; what one client brings and is answered is in `cases`, the judging in `engine`, and
the rules themselves are data.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum, StrEnum
from functools import total_ordering

from clients.rules.areas import AreaTree
from clients.rules.dates import Window


@total_ordering
class Verdict(Enum):
    """Screening's answer for one line, from the mildest to the strictest.

    The order is how far lifting it is out of this room's hands: an answer takes a minute, a patch
    test a day or two, a wait only time, a release somebody else's judgement, and a stop nothing.
    Compared by strictness, never by its word.
    """

    PROCEED = "proceed"
    PROCEED_WITH_CARE = "proceed_with_care"
    ASK_FIRST = "ask_first"
    PATCH_TEST_FIRST = "patch_test_first"
    WAIT_UNTIL = "wait_until"
    MEDICAL_RELEASE_FIRST = "medical_release_first"
    DO_NOT_TREAT = "do_not_treat"

    rank: int

    def __init__(self, _word: str) -> None:
        self.rank = len(type(self).__members__)

    def __lt__(self, other: object) -> bool:
        return self.rank < other.rank if isinstance(other, Verdict) else NotImplemented

    @property
    def passes(self) -> bool:
        """Whether the line may start with nothing further done."""
        return self.rank <= Verdict.PROCEED_WITH_CARE.rank


#: The words of the verdicts that let a line start.
PASSING = frozenset(verdict.value for verdict in Verdict if verdict.passes)


class Strength(StrEnum):
    """How well the source of a rule or number is known."""

    PUBLISHED_AND_READ = "published_and_read"
    SECONDARY = "secondary"
    COMMON_PRACTICE = "common_practice"
    HOUSE_POLICY = "house_policy"
    FROM_MEMORY = "from_memory"


class Asked(StrEnum):
    """When a question is put: anew at every visit, or once and then only confirmed."""

    EVERY_VISIT = "every_visit"
    ONCE = "once"


class PatchTest(StrEnum):
    """Where the patch test for the products of a line stands on its day."""

    NOT_NEEDED = "not_needed"
    VALID = "valid"
    DUE = "due"
    POSITIVE = "positive"


class Reach(StrEnum):
    """How near to the line's area the thing must be: same skin, same region, or anywhere."""

    AREA = "area"
    REGION = "region"
    BODY = "body"


class Phase(StrEnum):
    """Which time of a lasting thing a rule means: both, only while it lasts, or only after."""

    ANY = "any"
    ONGOING = "ongoing"
    PAST = "past"


class Lift(StrEnum):
    """What can meet a reason before time does: a medical release, a look today, a patch test."""

    RELEASE = "release"
    SIGHT = "sight"
    PATCH_TEST = "patch_test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a rule comes from, what it says there, and the windows it gives if any."""

    ref: str
    strength: Strength
    says: str = ""
    fact: str = ""
    since: Window | None = None
    ahead: Window | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """How a service is done; `families` are the groups that rules name."""

    id: str
    families: frozenset[str]
    uses_product: bool
    instead: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Something a client may say (`told`) or a practitioner may see (`seen`).

    `lasts_until` names the condition that ends a lasting one; None means it happens on a day.
    `may_be_planned` allows a date in the future. `details` are the codes that tell its forms
    apart; a declaration that names none might be any of them. `foreseen_days` is how long after it
    was told a thing that passes soon is foreseen for a coming visit; None means that it stays.
    """

    id: str
    title: str
    told: bool
    seen: bool
    lasts_until: str | None = None
    may_be_planned: bool = False
    details: frozenset[str] = frozenset()
    foreseen_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question, and the kinds of declaration that a yes to it brings."""

    id: str
    text: str
    asked: Asked
    kinds: frozenset[str]
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutClient:
    """Set off by something declared or found: one of `kinds`, in one of `details` if any.

    `below` and `above` bound a measured finding in millimetres. `ingredients` matches an allergy
    against the line's products: "shared" or "not_known".
    """

    kinds: frozenset[str]
    details: frozenset[str] = frozenset()
    below: Decimal | None = None
    above: Decimal | None = None
    ingredients: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Flagged:
    """Set off by a fact that the caller has established about the line."""

    flag: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchTested:
    """Set off by where the patch test of the line's products stands."""

    status: PatchTest


@dataclass(frozen=True, slots=True, kw_only=True)
class ComesAfter:
    """Set off by an earlier line of the same day; `reorder` says that the other way round works."""

    methods: frozenset[str]
    areas: frozenset[str]
    same_area: bool
    reorder: bool


Trigger = AboutClient | Flagged | PatchTested | ComesAfter


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One contraindication as data.

    It bears on a line whose method and area are among `methods` and `areas` (already widened to
    every area that shares skin with a named one). `since` is the time from the event to the
    service, `ahead` the time from the service to a planned event.
    """

    id: str
    title: str
    trigger: Trigger
    methods: frozenset[str]
    areas: frozenset[str]
    verdict: Verdict
    caution: str
    sources: tuple[Source, ...]
    reach: Reach = Reach.AREA
    phase: Phase = Phase.ANY
    since: Window | None = None
    ahead: Window | None = None
    condition: str | None = None
    lifted_by: Lift | None = None
    overridable_by: tuple[str, ...] = ()

    @property
    def is_published(self) -> bool:
        """Whether at least one source was published and read: no house may loosen it."""
        return any(s.strength is Strength.PUBLISHED_AND_READ for s in self.sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """The part of a rule set that could matter for one method on one area, by what sets it off."""

    by_kind: Mapping[str, Sequence[Rule]]
    by_flag: Mapping[str, Sequence[Rule]]
    by_patch_test: Mapping[PatchTest, Sequence[Rule]]
    of_order: Sequence[tuple[Rule, ComesAfter]]
    questions: tuple[Question, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """Everything screening knows, of one version; `digest` is of the data it was read from."""

    version: str
    digest: str
    notice: str
    tree: AreaTree
    methods: Mapping[str, Method]
    kinds: Mapping[str, Kind]
    questions: tuple[Question, ...]
    conditions: Mapping[str, str]
    flags: Mapping[str, str]
    prompts: Mapping[str, str]
    ingredients: frozenset[str]
    rules: tuple[Rule, ...]
    # Filled on first use: thousands of lines share a few dozen pairs of method and area.
    _bearing: dict[tuple[str, str], Bearing] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )

    def bearing_on(self, method: str, area: str) -> Bearing:
        """The rules and questions that could matter for a line of `method` on `area`."""
        found = self._bearing.get((method, area))
        if found is None:
            rules = [r for r in self.rules if method in r.methods and area in r.areas]
            found = self._bearing[method, area] = _bearing(rules, self.questions)
        return found

    def questions_for(self, method: str, area: str) -> tuple[Question, ...]:
        """The questions whose answer could change the verdict of a line of `method` on `area`."""
        return self.bearing_on(method, area).questions

    def rule(self, rule_id: str) -> Rule | None:
        """The rule of that id, if this set has it."""
        return next((rule for rule in self.rules if rule.id == rule_id), None)


def _bearing(rules: Sequence[Rule], questions: Sequence[Question]) -> Bearing:
    by_kind: dict[str, list[Rule]] = defaultdict(list)
    by_flag: dict[str, list[Rule]] = defaultdict(list)
    by_patch_test: dict[PatchTest, list[Rule]] = defaultdict(list)
    of_order: list[tuple[Rule, ComesAfter]] = []
    for rule in rules:
        match rule.trigger:
            case AboutClient(kinds=kinds):
                for kind in kinds:
                    by_kind[kind].append(rule)
            case Flagged(flag=flag):
                by_flag[flag].append(rule)
            case PatchTested(status=status):
                by_patch_test[status].append(rule)
            case ComesAfter() as trigger:
                of_order.append((rule, trigger))
    return Bearing(
        by_kind=dict(by_kind),
        by_flag=dict(by_flag),
        by_patch_test=dict(by_patch_test),
        of_order=of_order,
        questions=tuple(q for q in questions if q.kinds & by_kind.keys()),
    )
