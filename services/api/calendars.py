"""Endpoints of the calendars' addresses: giving out, listing, taking back."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import calendars as actions
from services.models import CalendarFeed
from services.queries import calendars as queries
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, LEADS, ApiView, Command, Strict, answer

#: Where calendars are read; the token follows, then `.ics`.
PAGE = "/calendars/"
_FEED = object_schema(
    id="uuid", person_id="uuid?", room_id="uuid?", created_at="datetime", created_by="uuid?"
)


class OpenCalendarShape(Strict):
    person_id = s.UUIDField(required=False, allow_null=True)
    room_id = s.UUIDField(required=False, allow_null=True)


class OpenCalendar(Command):
    """A secret address at which a calendar program reads when a practitioner or a room is taken.

    RFC 5545, read only: times, rooms or practitioners, and services; never a client. Who has the
    address reads it, so hand it to its owner alone. It is shown this once (a replay answers without
    it); a new one replaces the older. Practitioners open their own; a lead opens everybody's.
    """

    access = {"POST": FLOOR}
    input = OpenCalendarShape
    status = 201
    tag = "calendars"
    problems = (NotFound,)
    output = object_schema(id="uuid", url="str?")

    def post(self, request: Request, **path: Any) -> HttpResponse:
        self.address = request.build_absolute_uri(PAGE)
        return self._command(request, location_id=path["id"])

    def handle(self, **given: Any) -> actions.NewFeed:
        return actions.open_feed(**given)

    def render(self, entity_id: UUID | None) -> bytes:
        return orjson.dumps({"id": str(entity_id), "url": None})

    def render_result(self, result: Any, result_id: UUID | None) -> bytes:
        return orjson.dumps({"id": result_id, "url": f"{self.address}{result.token}.ics"})


class ListCalendars(ApiView):
    """Whose addresses are good now at a location, the newest first; never the addresses themselves.

    A practitioner sees their own, a lead all.
    """

    access = {"GET": FLOOR}
    tag = "calendars"
    problems = (NotFound,)
    output = object_schema(items=array_of(_FEED))

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            own = None if self.actor.role in LEADS else self.actor.person_id
            rows = queries.feeds_at(place.id, person_id=own)
        names = _FEED["properties"]
        return answer({"items": [{name: getattr(row, name) for name in names} for row in rows]})


class RevokeCalendar(Command):
    """Take an address back; whoever reads there finds nothing from now on."""

    access = {"POST": FLOOR}
    tag = "calendars"
    problems = (NotFound,)
    output = object_schema(id="uuid")

    def handle(self, *, id: UUID, **given: Any) -> CalendarFeed:
        return actions.revoke_feed(feed_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        return orjson.dumps({"id": str(entity_id)})
