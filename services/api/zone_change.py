"""Endpoints of a location's time zone: first what would change, then the change."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import zone_change as actions
from services.problems import PreviewOutdated
from services.queries import zone_change as queries
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy.bodies import LOCATION
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import OWNER, Command, Strict, answer

#: A page to look through; the rest is told by its number.
MOST_SHOWN = 500
_OWNERS = frozenset({OWNER})


class PreviewZone(Strict):
    zone = s.CharField(max_length=64, help_text="IANA time zone")


class SetZone(PreviewZone):
    shown = s.RegexField(r"^[0-9a-f]{64}$", help_text="as the preview told it")


class PreviewZoneChange(Command):
    """What another time zone would do to what is to come. Changes nothing.

    Visits stay at their instants. `visits` are those whose wall time would be another, or that would
    lie outside opening hours or the shifts of who works on them (`outside_before`, `outside_after`),
    the first 500 of `visits_in_all`; recurring visits stay with them. Shifts, breaks, opening hours
    and wall times that somebody waits for are times of the new clock then, and so are the hours at which
    waiting reminders go out, `reminders_by_the_clock` of them. Asked with the present zone it tells
    which visits lie outside now.
    """

    access = {"POST": _OWNERS}
    input = PreviewZone
    tag = "locations"
    problems = (NotFound,)
    output = object_schema(
        zone_before="str",
        zone_after="str",
        shown="str",
        coming="int",
        visits_in_all="int",
        visits=array_of(
            object_schema(
                visit_id="uuid", starts_at="datetime", wall_before="str", wall_after="str",
                outside_before=array_of({"type": "string"}), outside_after=array_of({"type": "string"}),
            )
        ),
        shift_clashes=array_of(
            object_schema(
                person_id="uuid", shift_id="uuid", other_shift_id="uuid", first_at="datetime"
            )
        ),
        rooms=array_of(
            object_schema(
                room_id="uuid", name="str", ready_until_before="datetime?", ready_until_after="datetime"
            )
        ),
        baths=array_of(
            object_schema(
                solution_id="uuid", container="str", discard_at_before="datetime", discard_at_after="datetime"
            )
        ),
        series=array_of(object_schema(series_id="uuid", rule="str", coming="int")),
        waiting_by_the_clock="int",
        reminders_by_the_clock="int",
    )  # fmt: skip

    def post(self, request: Request, **path: Any) -> HttpResponse:
        given = self.parsed(request)
        with reading(self.actor.business_id):
            found = queries.zone_change(
                actor=self.actor, now=self.now, location_id=path["id"], **given
            )
        return answer(_told(found))


def _told(found: queries.ZoneChange) -> dict[str, Any]:
    return {
        "zone_before": found.zone_before,
        "zone_after": found.zone_after,
        "shown": found.shown,
        "coming": found.coming,
        "visits_in_all": len(found.visits),
        "visits": [
            {
                "visit_id": one.id,
                "starts_at": rfc3339(one.starts_at),
                "wall_before": one.wall_before,
                "wall_after": one.wall_after,
                "outside_before": one.outside_before,
                "outside_after": one.outside_after,
            }
            for one in found.visits[:MOST_SHOWN]
        ],
        "shift_clashes": [
            {
                "person_id": one.person_id,
                "shift_id": one.shift_id,
                "other_shift_id": one.other_shift_id,
                "first_at": rfc3339(one.at.start),
            }
            for one in found.shift_clashes
        ],
        "rooms": [
            {
                "room_id": one.room_id,
                "name": one.name,
                "ready_until_before": one.before and rfc3339(one.before),
                "ready_until_after": rfc3339(one.after),
            }
            for one in found.rooms
        ],
        "baths": [
            {
                "solution_id": one.solution_id,
                "container": one.container,
                "discard_at_before": rfc3339(one.before),
                "discard_at_after": rfc3339(one.after),
            }
            for one in found.baths
        ],
        "series": [
            {"series_id": series_id, "rule": rule, "coming": coming}
            for series_id, rule, coming in found.series
        ],
        "waiting_by_the_clock": found.waiting,
        "reminders_by_the_clock": found.reminders,
    }


class ChangeZone(Command):
    """Let a location go by another time zone, as the preview has shown it.

    No visit moves: its instant stays, and the client has to be told where the wall time is another.
    """

    access = {"POST": _OWNERS}
    input = SetZone
    entity = LOCATION
    tag = "locations"
    problems = (NotFound, PreviewOutdated)

    def handle(self, *, id: UUID, **given: Any) -> Location:
        return actions.change_zone(location_id=id, **given)
