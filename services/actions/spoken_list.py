"""The short spoken list, gone through with the client in the room: one command."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from clients import actions_spoken as clients
from clients import queries as client_queries
from services.actions.consultation import hold_consultation
from services.models import Visit
from services.queries import intake
from services.queries import visits as queries
from services.rules.spoken_list import contradictions
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import action


@action
def confirm_spoken_list(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    no_change: Sequence[str] = (),
    answers: Sequence[dict[str, Any]] = (),
    declarations: Sequence[dict[str, Any]] = (),
) -> Visit:
    """Keep "no change" to those questions as answers of this visit, with what else was said.

    Decides every open line, as a consultation does. Raises what `hold_consultation` does;
    `InvalidInput` with pointers `/no_change/n` for a question that needs an answer, and where "no
    change" contradicts what is said with it or was told before this visit.
    """
    visit = queries.locked_visit(visit_id, actor)
    place = tenancy.location(visit.location_id, actor)
    rule_set = client_queries.rule_set()
    told = []
    if no_change:
        case = client_queries.case_of(visit.client_id, visit.id, local_date(now, place.zone))
        faults = contradictions(
            {question.id: question for question in rule_set.questions},
            no_change=no_change,
            answers=answers,
            declarations=declarations,
            told=intake.unconfirmed(visit),
            answered_here={name for name, given in case.answers.items() if given != "not_answered"},
        )
        if found := list(faults):
            raise InvalidInput(*found)
        told = clients.stated_again(
            actor=actor, client_id=visit.client_id, visit_id=visit.id, question_ids=no_change
        )
    return hold_consultation(
        actor=actor,
        now=now,
        visit_id=visit_id,
        told=told,
        answers=answers,
        declarations=declarations,
    )
