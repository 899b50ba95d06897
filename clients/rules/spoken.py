"""The short spoken list: what is asked again, what stands of each question, and what "no change" means. Pure.

"No change" is what the client says today of what is on record. It becomes an answer of this visit:
no where nothing stands, and where something does, yes with all of it declared again as it was told,
with its own dates. It can lift `ask_first` and nothing else.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from clients.rules.cases import Answer, Declaration
from clients.rules.items import HealthItem, ItemKind
from clients.rules.model import Asked, Question, RuleSet
from clients.rules.parts import Fault, fault
from clients.rules.told import KeptItem, standing_items
from spa_ops.kernel.problems import InvalidInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A declaration that no later visit has replaced: `left` is the part that still stands."""

    item: KeptItem
    left: Declaration

    @property
    def told_at(self) -> str:
        """When it was first told, not when it was last said to be unchanged."""
        return str(self.item.content.get("told_at") or self.item.recorded_at.isoformat())

    @property
    def content(self) -> dict[str, Any]:
        """What stands, in the form in which it was kept."""
        return {
            **self.item.content,
            "areas": sorted(self.left.areas),
            "details": sorted(self.left.details),
            "told_at": self.told_at,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """One question with what is on record of it; `last` is the newest yes or no of any visit."""

    question: Question
    last: Answer | None
    last_at: datetime | None
    is_answered: bool
    standing: tuple[Standing, ...]

    @property
    def no_change(self) -> Answer | None:
        """The answer that "no change" is kept as; None where there is nothing to be unchanged.

        A yes of which nothing is on record is never turned into a no, and what is asked once must
        have been asked once.
        """
        if self.standing:
            return Answer.YES
        if self.last is Answer.YES or (self.last is None and self.question.asked is Asked.ONCE):
            return None
        return Answer.NO


def spoken_list(
    items: Sequence[KeptItem], visit_id: UUID, rule_set: RuleSet, questions: Iterable[Question]
) -> list[Spoken]:
    """Each of `questions` with what is on record; `items` are all of one client's, in their order."""
    standing = [
        Standing(item=item, left=left)
        for item, left in standing_items(items, visit_id, rule_set.tree)
    ]
    found = []
    for question in questions:
        given = [
            item
            for item in items
            if item.kind == ItemKind.ANSWER
            and item.struck is None
            and item.content["question"] == question.id
        ]
        clear = [i for i in given if i.content["answer"] != Answer.NOT_ANSWERED]
        here = [i for i in given if i.visit_id == visit_id]
        found.append(
            Spoken(
                question=question,
                last=Answer(clear[-1].content["answer"]) if clear else None,
                last_at=clear[-1].recorded_at if clear else None,
                is_answered=bool(here) and here[-1].content["answer"] != Answer.NOT_ANSWERED,
                standing=tuple(s for s in standing if s.left.kind in question.kinds),
            )
        )
    return found


def unchanged(
    items: Sequence[KeptItem], visit_id: UUID, rule_set: RuleSet, question_ids: Sequence[str]
) -> list[HealthItem]:
    """What "no change" to these questions keeps: an answer each, and what stands, declared again.

    What was declared at this visit already is not declared twice. Raises `InvalidInput` with a
    pointer `/no_change/n` for an unknown or doubled question, and for one that needs an answer.
    """
    known = {question.id: question for question in rule_set.questions}
    faults = [
        f for n, name in enumerate(question_ids) for f in _faults(n, name, known, question_ids)
    ]
    if faults:
        raise InvalidInput(*faults)
    asked = [known[name] for name in question_ids]
    found: list[HealthItem] = []
    for n, spoken in enumerate(spoken_list(items, visit_id, rule_set, asked)):
        answer = spoken.no_change
        if answer is None:
            faults.append(fault(f"/no_change/{n}", "needs-an-answer", _WHY[spoken.last]))
            continue
        content = {"question": spoken.question.id, "answer": answer.value}
        found.append(HealthItem(kind=ItemKind.ANSWER, content=content))
        found += [
            HealthItem(kind=ItemKind.DECLARATION, content=one.content)
            for one in spoken.standing
            if one.item.visit_id != visit_id
        ]
    if faults:
        raise InvalidInput(*faults)
    return found


_WHY = {
    None: "was never answered: ask it",
    Answer.YES: "was answered yes, and nothing of it is on record: ask what it is",
}


def _faults(n: int, name: str, known: dict[str, Question], given: Sequence[str]) -> Iterable[Fault]:
    if name not in known:
        yield fault(f"/no_change/{n}", "unknown-question", "is not a question")
    elif name in given[:n]:
        yield fault(f"/no_change/{n}", "doubled", "is there twice")
