"""The endpoint of how many kits a day needs."""

from dataclasses import asdict
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT
from services.queries.kits_needed import kits_needed
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, ApiView, answer


class ReadKitsNeeded(ApiView):
    """For each kind of kit the fewest that a day's booked visits could do with, and what others would do.

    `starts` says for each service of that kind on how many starts of the day it could still begin with
    one kit less (null: the visits need them all), as it is, and with one more, were the kits handed
    out anew among the visits; for a client of whom nothing is known. On a day that is over it is empty.
    """

    access = {"GET": STAFF}
    tag = "visits"
    problems = POLICY_UNFIT
    parameters = {"day": ("date", "a local day; default: today")}
    output = object_schema(
        location_id="uuid",
        day="date",
        kinds=array_of(
            object_schema(
                kind="str",
                kits="int",
                needed="int",
                starts=array_of(
                    object_schema(service_id="uuid", one_less="int?", as_is="int", one_more="int")
                ),
            )
        ),
    )

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            day = self.query("day") or local_date(self.now, place.zone)
            if not 2000 <= day.year < 2180:
                raise invalid("?day", "must be a day of this age")
            found = kits_needed(actor=self.actor, now=self.now, location_id=id, day=day)
        return answer({"location_id": id, "day": day, "kinds": [asdict(one) for one in found]})
