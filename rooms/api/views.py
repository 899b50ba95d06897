"""Endpoints of rooms, turnovers and flags."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from rooms import actions, queries
from rooms.api import serializers as shapes
from rooms.bodies import FLAG, ROOM
from rooms.models import Room
from rooms.problems import PieceMissing, StepsOpen
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import AlreadyCorrected, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    LEADS,
    READERS,
    STAFF,
    ApiView,
    Command,
    Edit,
    RowView,
    answer,
)


class ListRooms(LocationListView):
    """The rooms of a location with their states."""

    access = {"GET": READERS}
    entity = ROOM


class AddRoom(Command):
    """Add a room. It needs turnover until someone has done it."""

    access = {"POST": LEADS}
    input = shapes.AddRoom
    entity = ROOM
    status = 201

    def handle(self, *, location: UUID, **given: Any) -> Room:
        return actions.add_room(location_id=location, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadRoom(RowView):
    """One room."""

    access = {"GET": READERS}
    entity = ROOM


class ChangeRoom(Edit):
    """Another name, other features, other minutes kept free around each visit."""

    access = {"PATCH": LEADS}
    input = shapes.ChangeRoom
    entity = ROOM

    def handle(self, *, id: UUID, **given: Any) -> Room:
        return actions.change_room(room_id=id, **given)


class _OnRoom(Command):
    access = {"POST": STAFF}
    entity = ROOM

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, room_id=path["id"])


class BeginTurnover(_OnRoom):
    """Begin to bring the room back to ready."""

    input = shapes.BeginTurnover

    def handle(self, **given: Any) -> Room:
        return actions.begin_turnover(**given)


class RecordStep(_OnRoom):
    """A turnover step as it happened. One out of order, or not wet for the label's time, does not count."""

    input = shapes.RecordStep

    def handle(self, **given: Any) -> Room:
        return actions.record_step(**given)


class StrikeStep(Command):
    """A mis-tap: this step was not done. It stays on record, struck out."""

    access = {"POST": STAFF}
    input = shapes.StrikeStep
    entity = ROOM
    tag = "rooms"
    problems = (AlreadyCorrected,)

    def handle(self, **given: Any) -> Room:
        return actions.strike_step(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, report_id=path["id"])


class FinishTurnover(_OnRoom):
    """Call the room ready, until closing; refused while a required step is open."""

    problems = (StepsOpen, PieceMissing)

    def handle(self, **given: Any) -> Room:
        return actions.finish_turnover(**given)


class TakeOutOfUse(_OnRoom):
    """The room is not to be used."""

    access = {"POST": LEADS}
    input = shapes.TakeOutOfUse

    def handle(self, **given: Any) -> Room:
        return actions.take_out_of_use(**given)


class BringBack(_OnRoom):
    """The room may be used again, after a turnover."""

    access = {"POST": LEADS}

    def handle(self, **given: Any) -> Room:
        return actions.bring_back(**given)


class ReadTurnover(ApiView):
    """The turnover that a room needs now: steps in order, what is done, what did not count and why."""

    access = {"GET": READERS}
    problems = (WrongState,)
    tag = "rooms"
    output = object_schema(
        caution="str", room_id="uuid", visit_id="uuid?", due_since="datetime", begun_at="datetime?",
        blood_seen="bool", wet_seconds="int?", next_step="str?", may_be_ready="bool", missing="[str]",
        steps=array_of(
            object_schema(
                code="str", title="str", required="bool", wet="bool", citation="str", done_at="datetime?",
                done_by="uuid?", done_by_name="str",
            )
        ),
        reports=array_of(object_schema(id="uuid", code="str", at="datetime", done_by="uuid?", done_by_name="str")),
        not_counted=array_of(object_schema(code="str", at="datetime", reason="str", what_to_do="str", open_before="[str]")),
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            room = tenancy.loaded(Room, id, self.actor)
            turnover = queries.open_turnover(room.id)
            if turnover is None:
                raise WrongState(thing="room", state=room.state, needed="a turnover that is due")
            plan = queries.plan_for(
                room.location, local_date(self.now, room.location.zone), room.features
            )
            return answer(queries.turnover_view(turnover, plan))


class ListFlags(LocationListView):
    """What is or was late about the rooms of a location; `open=true` for what is late now."""

    access = {"GET": READERS}
    entity = FLAG
    order = "e.due_at"
    order_type = "timestamptz"
    parameters = {"open": ("bool", "only those that are late now")}

    def narrower(self, place: Location) -> Conditions:
        return [("e.cleared_at IS NULL", [])] if self.query("open") else []
