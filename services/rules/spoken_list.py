"""What goes with a spoken list: where "no change" is contradicted, and what was sent for a question. Pure."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from clients.rules.items import ItemKind
from clients.rules.model import Question
from clients.rules.parts import Fault, fault

Told = Mapping[str, Any]


def sent_for(question: Question, told: Sequence[Told]) -> list[Told]:
    """Of the items told before a visit, those that belong to the question."""
    return [item for item in told if _belongs(question, item)]


def _belongs(question: Question, item: Told) -> bool:
    content = item["content"]
    if item["kind"] == ItemKind.ANSWER:
        return bool(content["question"] == question.id)
    return content["kind"] in question.kinds


def contradictions(
    questions: Mapping[str, Question],
    *,
    no_change: Sequence[str],
    answers: Sequence[Mapping[str, Any]],
    declarations: Sequence[Mapping[str, Any]],
    told: Sequence[Told],
    answered_here: Collection[str],
) -> Iterator[Fault]:
    """Where "no change" stands against what is said with it, or was told before and not confirmed.

    `told` are the unconfirmed items of the newest intake. An answer of this visit is newer.
    """
    answered = {given["question"] for given in answers}
    for n, name in enumerate(no_change):
        if name not in questions:
            continue
        question = questions[name]
        if name in answered:
            yield fault(f"/no_change/{n}", "doubled", "is answered in the same list")
        if name not in answered_here and any(map(_says_yes, sent_for(question, told))):
            message = "the client told something before the visit: confirm that, or answer it anew"
            yield fault(f"/no_change/{n}", "told-otherwise", message)
    unchanged = {kind for name in no_change if name in questions for kind in questions[name].kinds}
    for n, given in enumerate(declarations):
        if given["kind"] in unchanged:
            message = "belongs to a question that is said to be unchanged"
            yield fault(f"/declarations/{n}/kind", "doubled", message)


def _says_yes(item: Told) -> bool:
    return item["kind"] != ItemKind.ANSWER or bool(item["content"]["answer"] == "yes")
