"""What is known today about lines of a coming day: which could not go ahead, and from when. Pure.

No consultation and no verdict of the day: questions are asked anew at the visit, so nothing waits
for an answer here, and only what the client has declared before counts.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from clients.rules.cases import Answer, Declaration, LineToScreen, Screening
from clients.rules.engine import screen
from clients.rules.model import RuleSet


def foresee(
    *,
    rule_set: RuleSet,
    lines: Sequence[LineToScreen],
    declarations: Sequence[tuple[date, Declaration]],
    today: date,
) -> dict[str, Screening]:
    """The screening of each line as far as it is known, by its key.

    `declarations` come with the day on which each was told. What passes soon is left out for lines
    `foreseen_days` or more after that day. Raises what `screen` raises.
    """
    found: dict[str, Screening] = {}
    for on in sorted({line.on for line in lines}):
        found |= screen(
            rule_set=rule_set,
            lines=[line for line in lines if line.on == on],
            answers={question.id: Answer.NO for question in rule_set.questions},
            declarations=[
                replace(said, said_today=False)
                for told_on, said in declarations
                if _is_foreseen(rule_set, said, told_on, on)
            ],
            findings=(),
            today=today,
        )
    return found


def _is_foreseen(rule_set: RuleSet, said: Declaration, told_on: date, on: date) -> bool:
    days = rule_set.kinds[said.kind].foreseen_days
    return days is None or on < told_on + timedelta(days=days)
