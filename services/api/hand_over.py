"""Endpoints of hand-overs between shifts."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.template.loader import render_to_string
from django.urls import path
from rest_framework import serializers as s
from rest_framework.renderers import JSONRenderer, StaticHTMLRenderer
from rest_framework.request import Request

from services.actions import hand_over as actions
from services.bodies.hand_over import HAND_OVER
from services.models import HandOver
from services.problems import OwnHandOver
from services.queries import hand_over as queries
from spa_ops.kernel.problems import NotFound, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    READERS,
    STAFF,
    ApiView,
    Command,
    RowView,
    Strict,
    answer,
    several,
)

_DAY = {"type": "string", "format": "date"}
STANDS = object_schema(
    at="datetime",
    rooms_not_ready=array_of(
        object_schema(
            room_id="uuid", name="str", state="str", since="datetime", ready_at="datetime?", flags="[str]"
        )
    ),
    soaks=array_of(object_schema(kit_id="uuid", name="str", contact_due_at="datetime")),
    soiled_kits=array_of(object_schema(kit_id="uuid", name="str", soiled="int")),
    solutions=array_of(
        object_schema(solution_id="uuid", container="str", discard_at="datetime", is_usable="bool")
    ),
    equipment=array_of(object_schema(name="str", flaws="[str]")),
    due=array_of(object_schema(kind="str", what="str", due_at="datetime", level="int")),
    incidents=object_schema(open="int", next_call_back_at="datetime?"),
    shortages=array_of(object_schema(what="str", kind="str")),
    records_owed="int",
    lists=array_of(
        object_schema(
            kind="str", day=_DAY, complete="bool", signed_off_at="datetime?",
            counts=object_schema(done="int", blank="int", not_done="int", contradicted="int"),
        )
    ),
)  # fmt: skip


class ReadWhatStands(ApiView):
    """What there is to hand over now: running soaks, soiled kits, rooms not ready, baths, pots, what is due,
    shortages, the day's lists. Of incidents only how many are open and when to call back.
    """

    access = {"GET": READERS}
    tag = "hand-overs"
    problems = (NotFound,)
    output = STANDS

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        return answer(self.found(id))

    def found(self, location_id: UUID) -> dict[str, Any]:
        """What stands now as JSON values."""
        with reading(self.actor.business_id):
            place = tenancy.location(location_id, self.actor)
            self.zone, self.place_name = place.zone, place.name
            return queries.what_stands(place, self.now)


def _in_words(found: Any) -> Any:
    """The same with the words of its codes, for people to read; names stay as they are."""
    if isinstance(found, dict):
        return {
            key: _spaced(one) if key in {"state", "kind", "flags", "flaws"} else _in_words(one)
            for key, one in found.items()
        }
    return [_in_words(one) for one in found] if isinstance(found, list) else found


def _spaced(codes: Any) -> Any:
    if isinstance(codes, list | tuple):
        return [_spaced(code) for code in codes]
    return str(codes).replace("_", " ")


class WhatStandsPage(ReadWhatStands):
    """The same as an HTML page to print, with a line to sign."""

    output = {"type": "string"}
    media_type = "text/html"
    renderer_classes = (JSONRenderer, StaticHTMLRenderer)

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        found = self.found(id)
        told = {"zone": self.zone, "place": self.place_name, "made_at": self.now}
        page = render_to_string("services/hand_over.html", {"found": _in_words(found)} | told)
        return HttpResponse(page, content_type="text/html; charset=utf-8")


class GiveHandOverShape(Strict):
    id = s.UUIDField(required=False)
    shortages = s.ListField(
        child=s.CharField(max_length=80),
        max_length=30,
        required=False,
        help_text="what is short besides what stock says; things, never people",
    )


class ListHandOvers(LocationListView):
    """The hand-overs of a location, oldest first, with what was shown at each."""

    access = {"GET": READERS}
    entity = HAND_OVER
    tag = "hand-overs"
    order = "e.given_at"
    order_type = "timestamptz"
    parameters = {"open": ("bool", "only those that nobody has accepted yet")}

    def narrower(self, place: Location) -> Conditions:
        return [("e.accepted_at IS NULL", [])] if self.query("open") else []


class GiveHandOver(Command):
    """The acting person hands over what stands now; it is kept as it is shown, until somebody accepts it."""

    access = {"POST": STAFF}
    input = GiveHandOverShape
    entity = HAND_OVER
    status = 201
    tag = "hand-overs"

    def handle(self, *, location_id: UUID, **given: Any) -> HandOver:
        return actions.give_hand_over(location_id=location_id, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])


class ReadHandOver(RowView):
    """One hand-over as it was shown."""

    access = {"GET": READERS}
    entity = HAND_OVER
    tag = "hand-overs"


class AcceptHandOver(Command):
    """The acting person takes over by name; not who gave it, and once."""

    access = {"POST": STAFF}
    entity = HAND_OVER
    tag = "hand-overs"
    problems = (OwnHandOver, WrongState)

    def handle(self, **given: Any) -> HandOver:
        return actions.accept_hand_over(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, hand_over_id=path["id"])


urlpatterns = [
    path("locations/<uuid:id>/hand-over", ReadWhatStands.as_view()),
    path("locations/<uuid:id>/hand-over-page", WhatStandsPage.as_view()),
    path("locations/<uuid:id>/hand-overs", several(ListHandOvers, GiveHandOver).as_view()),
    path("hand-overs/<uuid:id>", ReadHandOver.as_view()),
    path("hand-overs/<uuid:id>/accept", AcceptHandOver.as_view()),
]
