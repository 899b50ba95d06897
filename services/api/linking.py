"""Endpoints of visits that belong together."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import linking
from services.actions.linking import Arrangement, Linked
from services.api import visit_shapes as shapes
from services.api.visits import PLANNING, line_request
from services.bodies.visits import VISIT
from spa_ops.web import bodies
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, Command, Strict

_ARRANGEMENT = s.ChoiceField(
    [a.value for a in Arrangement],
    help_text="together: all begin at one time; in_turn: each when the one before has ended",
)


class LinkedVisit(Strict):
    client_id = s.UUIDField()
    note = s.CharField(max_length=2000, required=False, allow_blank=True)
    lines = shapes.LineInput(many=True)


class BookLinkedShape(Strict):
    arrangement = _ARRANGEMENT
    visits = LinkedVisit(many=True, help_text="2 to 4; a start is needed in the first alone")


class MovedVisit(Strict):
    visit_id = s.UUIDField()
    lines = shapes.LineInput(many=True)


class MoveLinkedShape(Strict):
    arrangement = _ARRANGEMENT
    visits = MovedVisit(many=True, help_text="each booked visit of the link")
    reason = s.CharField(max_length=500, required=False, allow_blank=True)


class _OfLink(Command):
    """Answers every visit of the link."""

    tag = "visits"
    problems = PLANNING
    output = object_schema(link_id="uuid", items=array_of(VISIT.schema))

    def render(self, entity_id: UUID | None) -> str:
        items, _ = bodies.page(
            VISIT,
            self.actor,
            where=[("e.link_id = %s", [entity_id])],
            order="e.starts_at",
            order_type="timestamptz",
            after=None,
            limit=linking.MOST,
        )
        return f'{{"link_id":"{entity_id}","items":[{",".join(items)}]}}'


class BookLinked(_OfLink):
    """Book visits of two to four clients that belong together, all or none."""

    access = {"POST": STAFF}
    input = BookLinkedShape
    status = 201

    def handle(self, *, arrangement: str, visits: list[dict[str, Any]], **given: Any) -> Any:
        asked = [
            Linked(**{**visit, "lines": [line_request(x) for x in visit["lines"]]})
            for visit in visits
        ]
        return linking.book_linked(arrangement=Arrangement(arrangement), visits=asked, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])


class MoveLinked(_OfLink):
    """Move every booked visit of a link, all or none. To move one alone, move the visit."""

    access = {"POST": STAFF}
    input = MoveLinkedShape

    def handle(self, *, arrangement: str, visits: list[dict[str, Any]], **given: Any) -> Any:
        asked = [(v["visit_id"], [line_request(x) for x in v["lines"]]) for v in visits]
        return linking.move_linked(arrangement=Arrangement(arrangement), visits=asked, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, visit_id=path["id"])
