"""Endpoints of the screening rules and of a business's own policy on top of them."""

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients import queries
from clients.actions_policy import set_screening_policy
from clients.problems import HousePolicyRefused, RuleFileRefused, RuleFileUnreadable
from clients.rules.listing import listed
from spa_ops.kernel.actor import Role
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, ApiView, Command, Strict, answer

_SOURCE = object_schema(ref="str", strength="str", says="str", since="str?", ahead="str?")
_RULE = object_schema(
    id="str", title="str", verdict="str", about="[str]", methods="[str]", areas="[str]", reach="str",
    since="str?", ahead="str?", lifted_by="str?", overridable_by="[str]", caution="str",
    sources=array_of(_SOURCE),
)  # fmt: skip
_RULES = object_schema(
    version="str", digest="str", notice="str", policy={"type": "object"}, rules=array_of(_RULE)
)


def _body() -> dict[str, Any]:
    rules, policy = queries.rule_set(), queries.house_policy()
    return {
        "version": rules.version,
        "digest": rules.digest,
        "notice": rules.notice,
        "policy": policy.policy if policy else {},
        "rules": listed(rules),
    }


class ListScreeningRules(ApiView):
    """The screening rules that hold for this business: windows, sources and their strength, and its own policy."""

    access = {"GET": READERS}
    output = _RULES
    problems = (RuleFileUnreadable, RuleFileRefused, HousePolicyRefused)

    def get(self, request: Request) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer(_body())


class ScreeningPolicyShape(Strict):
    policy = s.DictField(
        help_text="`version`, `tighten` (changes to shipped rules, each with `rule` and `why`) and `rules` "
        "of the house; {} takes the house's changes back"
    )


class SetScreeningPolicy(Command):
    """Tighten the screening rules for the whole business, or choose within the customs on file.

    A rule that was published and read is never loosened. Coming visits are looked at anew.
    """

    access = {"POST": frozenset({Role.OWNER})}
    input = ScreeningPolicyShape
    output = _RULES
    problems = (RuleFileUnreadable, RuleFileRefused, HousePolicyRefused)

    def handle(self, **given: Any) -> Any:
        return set_screening_policy(**given)

    def render(self, entity_id: Any) -> bytes | str:
        return answer(_body()).content
