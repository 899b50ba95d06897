"""What is known today about lines of a coming day: which could not go ahead, and from when. Pure.

No consultation and no verdict of the day: questions are asked anew at the visit, so nothing waits
for an answer here, and only what the client has declared before counts.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from clients.rules.cases import Answer, Declaration, LineToScreen, Screening
from clients.rules.engine import Case, case_for
from clients.rules.model import RuleSet, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """What is foreseen for one line; its reasons, which take longer, on request."""

    verdict: Verdict
    earliest_on: date | None
    line: LineToScreen
    case: Case

    def screening(self) -> Screening:
        """The same with every reason."""
        return self.case.screening_with_alternatives(self.line)


def foresee(
    *,
    rule_set: RuleSet,
    lines: Sequence[LineToScreen],
    declarations: Sequence[tuple[date, Declaration]],
    today: date,
) -> dict[str, Foreseen]:
    """How each line stands as far as it is known, by its key.

    `declarations` come with the day on which each was told. What passes soon is left out for lines
    `foreseen_days` or more after that day. What is given was checked when it was kept.
    """
    # The days of one client mostly differ in nothing: those that go by the same are one case.
    # Whether it was said today matters to open questions alone, and here none is open.
    by_told: dict[tuple[int, ...], list[LineToScreen]] = defaultdict(list)
    for line in lines:
        counting = tuple(
            n
            for n, (told_on, said) in enumerate(declarations)
            if _is_foreseen(rule_set, said, told_on, line.on)
        )
        by_told[counting].append(line)
    nothing_new = {question.id: Answer.NO for question in rule_set.questions}
    found = {}
    for counting, alike in by_told.items():
        case = case_for(
            rule_set=rule_set,
            lines=alike,
            answers=nothing_new,
            declarations=[declarations[n][1] for n in counting],
            findings=(),
            today=today,
        )
        for line in alike:
            verdict, earliest_on = case.outcome(line)
            found[line.key] = Foreseen(
                verdict=verdict, earliest_on=earliest_on, line=line, case=case
            )
    return found


def _is_foreseen(rule_set: RuleSet, said: Declaration, told_on: date, on: date) -> bool:
    days = rule_set.kinds[said.kind].foreseen_days
    return days is None or on < told_on + timedelta(days=days)
