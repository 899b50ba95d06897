"""What the front desk is told of screening where it may ask about anybody and anything. Pure."""

from datetime import date

from clients.rules.model import Verdict
from spa_ops.kernel.actor import Role

_FINE = {Verdict.PROCEED.value, Verdict.PROCEED_WITH_CARE.value}
#: A test is booked at the desk, and is asked for by the product.
_TOLD = {Verdict.ASK_FIRST.value, Verdict.PATCH_TEST_FIRST.value, Verdict.WAIT_UNTIL.value}


def outcome_for(role: Role | None, verdict: str, earliest_on: date | None) -> str:
    """A verdict of a search as that role hears it; the desk hears a date where there is one, and no more.

    Of a booked line the desk sees the verdict itself. Here it could try one service after the other
    on a client who booked none of them, and the pattern of releases and refusals would tell what
    they take or have: so those are `ask_first` to it, for someone who may read the consultation.
    """
    if role is not Role.FRONT_DESK or not verdict:
        return verdict
    if verdict in _FINE:
        return Verdict.PROCEED.value
    if earliest_on is not None:
        return Verdict.WAIT_UNTIL.value
    return verdict if verdict in _TOLD else Verdict.ASK_FIRST.value
