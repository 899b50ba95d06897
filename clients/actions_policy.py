"""A business's own screening policy: tighter than the shipped rules, or a choice among customs."""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import Max

from clients.models import ScreeningPolicy
from clients.rule_files import rule_set_under
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Business
from spa_ops.unit.work import action, current


@action
def set_screening_policy(*, actor: Actor, now: datetime, policy: dict[str, Any]) -> ScreeningPolicy:
    """From now on the business is screened under `policy`; an empty one takes its changes back.

    Earlier verdicts keep the rules they were made under. Raises `RuleFileUnreadable` for a wrong
    shape, `HousePolicyRefused` for one that asks for less than it may.
    """
    rules = rule_set_under(policy)
    # One at a time, so that the newest is one.
    tenancy.locked(Business, actor.business_id, actor)
    last = ScreeningPolicy.objects.aggregate(last=Max("recorded_at"))["last"]
    row = ScreeningPolicy(
        business_id=actor.business_id,
        policy=policy,
        version=policy.get("version", ""),
        digest=rules.digest,
        recorded_at=now if last is None else max(now, last + timedelta(microseconds=1)),
        recorded_by=actor.person_id,
    )
    row.save(force_insert=True)
    current().evidence(
        "screening.policy_set",
        location_id=None,
        subject_id=row.id,
        facts={
            "policy_id": row.id,
            "rules_version": rules.version,
            "rules_digest": rules.digest,
            "person_id": actor.person_id,
        },
    )
    return row
