"""Endpoints of holds: an option is kept for a few minutes while the desk talks."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services import problems as p
from services.actions import holds
from services.api import visit_shapes as shapes
from services.api.offering import Offering, of_new_visit
from services.api.visits import OF_A_HOLD, PLANNING, line_request
from services.bodies.holds import HOLD
from services.models import Hold
from services.queries.alternatives import Clashed
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.web.views import STAFF, Command


class ListHolds(LocationListView):
    """What is held at a location now, by whom and until when; never for which client."""

    access = {"GET": STAFF}
    entity = HOLD
    order = "e.expires_at"
    order_type = "timestamptz"

    def narrower(self, place: Location) -> Conditions:
        return [("e.state = 'held' AND e.expires_at > %s", [self.now])]


class HoldTime(Offering):
    """Keep an option for the acting desk, for the minutes of the location's policy `hold_minutes`.

    `lines` are those of an option. It ends by itself; booking with `hold_id` takes its place. With a
    client, a clash names alternatives.
    """

    access = {"POST": STAFF}
    input = shapes.HoldTime
    entity = HOLD
    status = 201
    tag = "visits"
    problems = (*PLANNING, p.TooManyHolds)

    def handle(self, *, location: UUID, lines: list[dict[str, Any]], **given: Any) -> Hold:
        return holds.hold_time(
            location_id=location, lines=[line_request(x) for x in lines], **given
        )

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed | None:
        return of_new_visit(data, path["location"], self.now)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReleaseHold(Command):
    """Let go of what is held: by who holds it, or by a lead."""

    access = {"POST": STAFF}
    entity = HOLD
    tag = "visits"
    problems = OF_A_HOLD

    def handle(self, **given: Any) -> Hold:
        return holds.release_hold(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, hold_id=path["id"])
