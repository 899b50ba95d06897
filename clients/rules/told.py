"""What was kept of consultations, read back as screening takes it: what still counts today. Pure.

Answers, findings and conditions met count only for the visit in which they were given: a short
spoken list is asked anew at every visit. What the client declared stays, until they say something
newer of the same kind, place and form at a later visit.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients.rules.areas import AreaTree
from clients.rules.cases import Answer, Declaration, Finding
from clients.rules.dates import DateRange
from clients.rules.items import ItemKind, declaration_from, finding_from
from clients.rules.model import RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """Who said that an item is wrong, when and why. Both stay."""

    id: UUID
    recorded_at: datetime
    recorded_by: UUID | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptItem:
    """One thing said or seen, as it was kept. `recorded_at` is this client's own order, no two alike."""

    id: UUID
    visit_id: UUID
    kind: str
    content: Mapping[str, Any]
    recorded_at: datetime
    recorded_by: UUID | None
    struck: Strike | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What one client's screening at one visit goes by; `met` names rules by line."""

    answers: Mapping[str, Answer]
    declarations: tuple[Declaration, ...]
    findings: tuple[Finding, ...]
    met: Mapping[UUID, frozenset[str]]


def case_from(items: Sequence[KeptItem], visit_id: UUID, rule_set: RuleSet, today: date) -> Case:
    """All that counts at this visit, of items in the order they were recorded; struck ones do not.

    `today` is the location's date: what was told at a place where it is tomorrow already, and
    cannot be planned, has happened.
    """
    declarations = declarations_of(items, visit_id, rule_set.tree)
    return Case(
        answers=answers_of(items, visit_id),
        declarations=tuple(_happened(said, rule_set, today) for said in declarations),
        findings=tuple(findings_of(items, visit_id)),
        met=met_of(items, visit_id),
    )


def _happened(said: Declaration, rule_set: RuleSet, today: date) -> Declaration:
    if said.when.latest <= today or rule_set.kinds[said.kind].may_be_planned:
        return said
    when = DateRange(earliest=min(said.when.earliest, today), latest=min(said.when.latest, today))
    return replace(said, when=when)


def answers_of(items: Sequence[KeptItem], visit_id: UUID) -> dict[str, Answer]:
    """The newest answer of this visit to each question that was put at it."""
    given = (i.content for i in _of(items, ItemKind.ANSWER) if i.visit_id == visit_id)
    return {content["question"]: Answer(content["answer"]) for content in given}


def findings_of(items: Sequence[KeptItem], visit_id: UUID) -> list[Finding]:
    """What was seen at this visit."""
    seen = (i for i in _of(items, ItemKind.FINDING) if i.visit_id == visit_id)
    return [finding_from(item.content) for item in seen]


def met_of(items: Sequence[KeptItem], visit_id: UUID) -> dict[UUID, frozenset[str]]:
    """For each line of this visit the rules that a release or a look today has met."""
    found: dict[UUID, set[str]] = defaultdict(set)
    for item in _of(items, ItemKind.MET):
        if item.visit_id == visit_id:
            found[UUID(item.content["line_id"])].add(item.content["rule_id"])
    return {line_id: frozenset(rules) for line_id, rules in found.items()}


def declarations_of(items: Sequence[KeptItem], visit_id: UUID, tree: AreaTree) -> list[Declaration]:
    """All declarations of this visit, and of earlier ones what no later visit has replaced.

    A later declaration replaces an earlier one of its kind for the areas and the details (which
    medicine, which allergy) that it names; without areas it is about everywhere, without details
    about all of them. What it does not speak of stays as it was told.
    """
    return [
        replace(left, said_today=item.visit_id == visit_id)
        for item, left in standing_items(items, visit_id, tree)
    ]


def standing_declarations(
    items: Sequence[KeptItem], rule_set: RuleSet, today: date
) -> list[tuple[datetime, Declaration]]:
    """All that no later visit has replaced, with when it was told; for looking ahead, outside any visit."""
    return [
        (item.recorded_at, _happened(left, rule_set, today))
        for item, left in standing_items(items, None, rule_set.tree)
    ]


def standing_items(
    items: Sequence[KeptItem], visit_id: UUID | None, tree: AreaTree
) -> Iterator[tuple[KeptItem, Declaration]]:
    """Each declaration that counts at this visit, with the part of it that no later visit replaced."""
    told = [(item, declaration_from(item.content)) for item in _of(items, ItemKind.DECLARATION)]
    for n, (item, said) in enumerate(told):
        left: Declaration | None = said
        for later, newer in told[n + 1 :]:
            if left is None or item.visit_id == visit_id:
                break
            if later.visit_id != item.visit_id and newer.kind == said.kind:
                left = _without(left, newer, tree)
        if left is not None:
            yield item, left


def _without(older: Declaration, newer: Declaration, tree: AreaTree) -> Declaration | None:
    """The part of `older` that `newer` does not speak of.

    Silence is the worst case: an unnamed place or form is not replaced by a named one, for the
    named one may be another thing ("any new medicine?").
    """
    areas = _left(older.areas, newer.areas and tree.all_within(newer.areas))
    details = _left(older.details, newer.details)
    if areas is None and details is None:
        return None
    if details is None and areas:
        return replace(older, areas=areas)
    if areas is None and details:
        return replace(older, details=details)
    return older


def _left(older: frozenset[str], newer: frozenset[str]) -> frozenset[str] | None:
    """What of `older` is not in `newer`; None if nothing is. An empty set stands for everything."""
    if not newer:
        return None
    return (older - newer or None) if older else older


def _of(items: Iterable[KeptItem], kind: ItemKind) -> list[KeptItem]:
    return [item for item in items if item.kind == kind and item.struck is None]
