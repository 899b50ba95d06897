"""The endpoint of how often screening rules stand and are overridden."""

from datetime import timedelta
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT
from clients.queries import rule_set
from services.queries.overrides import override_rates
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, ApiView, answer

#: Every line of the period is opened: a quarter is what one look takes.
MOST_DAYS = 92
DAYS = 30
_RATE = object_schema(rule_id="str", title="str", stood="int", overridden="int", basis_points="int")


class ReadOverrideRates(ApiView):
    """For each screening rule: how many lines it kept from starting, and how many of them were overridden.

    By each line's last decision. The last 30 days unless `from` and `to` say otherwise; at most 92.
    """

    access = {"GET": LEADS}
    problems = POLICY_UNFIT
    parameters = {"from": ("date", "first local day"), "to": ("date", "last local day, included")}
    output = object_schema(
        **{"from": "date"}, location_id="uuid", to="date", lines="int", rules=array_of(_RATE)
    )

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        first, last = self.query("from"), self.query("to")
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            last = last or local_date(self.now, place.zone)
            if not 2000 <= last.year < 2200:
                raise invalid("?to", "must be a day of this age")
            first = first or last - timedelta(days=DAYS - 1)
            if first > last:
                raise invalid("?from", "must not lie after `to`")
            if (last - first).days >= MOST_DAYS:
                raise invalid("?from", f"at most {MOST_DAYS} days in one look")
            found = override_rates(id, first, last)
            rules = rule_set()
        titles = {rule.id: rule.title for rule in rules.rules} | {
            f"question:{q.id}": q.text for q in rules.questions
        }
        return answer(
            {
                "location_id": id,
                "from": first,
                "to": last,
                "lines": found.lines,
                "rules": [
                    {
                        "rule_id": one.rule_id,
                        "title": titles.get(one.rule_id, one.rule_id),
                        "stood": one.stood,
                        "overridden": one.overridden,
                        "basis_points": 10_000 * one.overridden // one.stood,
                    }
                    for one in found.rates
                ],
            }
        )
