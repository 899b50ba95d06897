"""How the day goes on from here: who will be late, by how much, and because of whom."""

from datetime import timedelta
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services.queries import day_plan as queries
from services.rules.running_late import lateness, spare_minutes
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.rules import is_open
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, ApiView, answer

_INSTANT = timedelta(microseconds=1)
_LATE = object_schema(
    visit_id="uuid", state="str", starts_at="datetime", late_minutes="int", expected_at="datetime",
    after_visit_id="uuid?", waits_for_id="uuid?", past_closing="bool",
)  # fmt: skip
_NEXT = object_schema(visit_id="uuid", spare_minutes="int")
_RUNNING = object_schema(visit_id="uuid", late_minutes="int", then=array_of(_NEXT))


class ReadRunningLate(ApiView):
    """The visits of today that are or will be late if all goes on in its order, the latest first.

    `after_visit_id` is the visit that makes it wait, `waits_for_id` the practitioner, room, kit or
    client both need. `running` tells it minute by minute: by how many minutes more than now a visit
    with a client in the room may last before each of the others becomes late.
    """

    access = {"GET": STAFF}
    tag = "visits"
    problems = (NotFound,)
    output = object_schema(at="datetime", late=array_of(_LATE), running=array_of(_RUNNING))

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            today = local_day(local_date(self.now, place.zone), place.zone)
            plans = queries.plans_of(place.id, today)
        by_id = {plan.visit.id: plan for plan in plans}
        taken = [queries.still_taken(plan, self.now) for plan in plans]
        alone = {plan.visit.id: queries.late_now(plan, self.now) for plan in plans}
        found = lateness(taken, alone)
        holidays = tenancy.policy_of(place).closed_on_holidays_of
        late = []
        for visit_id, how in sorted(found.items(), key=lambda item: -item[1].minutes):
            plan, by = by_id[visit_id], timedelta(minutes=how.minutes)
            ends_at = max((line.ends_at for line in plan.lines), default=plan.visit.starts_at)
            late.append(
                queries.as_json(plan)
                | {
                    "late_minutes": how.minutes,
                    "expected_at": plan.visit.starts_at + by,
                    "after_visit_id": how.after,
                    "waits_for_id": how.waits_for,
                    # The instant of closing belongs to what is before it.
                    "past_closing": not is_open(
                        place.opening_hours, place.zone, ends_at + by - _INSTANT, holidays
                    ),
                }
            )
        running = [
            {
                "visit_id": plan.visit.id,
                "late_minutes": alone[plan.visit.id],
                "then": [
                    {"visit_id": other, "spare_minutes": max(0, spare - alone[plan.visit.id])}
                    for other, spare in spare_minutes(taken, plan.visit.id).items()
                ],
            }
            for plan in plans
            if plan.visit.state == "in_room"
        ]
        return answer({"at": self.now, "late": late, "running": running})
