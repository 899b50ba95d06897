"""Endpoints of visits that belong together."""

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import linking
from services.actions.linked_offers import LinkedClash, Party, linked_alternatives
from services.actions.linking import Arrangement, Linked
from services.api import visit_shapes as shapes
from services.api.availability import shown_option
from services.api.offering import Offering
from services.api.visits import PLANNING, line_request
from services.bodies.visits import VISIT
from services.queries import visits as queries
from services.queries.alternatives import asked_of
from spa_ops.kernel.clock import rfc3339
from spa_ops.unit.work import reading
from spa_ops.web import bodies
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, Strict

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


class _OfLink(Offering):
    """Answers every visit of the link; a clash is told with times at which all could be had."""

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

    def offered(
        self, data: Mapping[str, Any], path: Mapping[str, Any]
    ) -> list[dict[str, Any]] | None:
        with reading(self.actor.business_id):
            clashed = self.linked_clash(data, path)
        found = linked_alternatives(actor=self.actor, now=self.now, clashed=clashed)
        if found is None:
            return None
        clients = [party.client_id for party in clashed.parties]
        return [
            {
                "starts_at": rfc3339(options[0].starts_at),
                "visits": [shown_option(o, c) for o, c in zip(options, clients, strict=True)],
            }
            for options in found
        ]

    def linked_clash(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> LinkedClash:
        """What was asked for, to be asked for again. Inside a read."""
        raise NotImplementedError


def _clash(
    data: Mapping[str, Any], location_id: UUID, clients: list[UUID], without: Iterable[UUID] = ()
) -> LinkedClash:
    parties = [
        Party(
            client_id=client_id,
            lines=asked_of((x["service_id"], x["practitioner_id"]) for x in visit["lines"]),
        )
        for client_id, visit in zip(clients, data["visits"], strict=True)
    ]
    return LinkedClash(
        location_id=location_id,
        arrangement=Arrangement(data["arrangement"]),
        parties=tuple(parties),
        since=data["visits"][0]["lines"][0]["starts_at"],
        without=frozenset(without),
    )


class BookLinked(_OfLink):
    """Book visits of two to four clients that belong together, all or none.

    A clash is 409; each of its `alternatives` has `visits`, an option for each of them in their order:
    the first three times of the next seven days. An empty list says that there is none; they are left
    out where the time for looking was up before one was found.
    """

    access = {"POST": STAFF}
    input = BookLinkedShape
    status = 201

    def handle(self, *, arrangement: str, visits: list[dict[str, Any]], **given: Any) -> Any:
        asked = [
            Linked(**{**visit, "lines": [line_request(x) for x in visit["lines"]]})
            for visit in visits
        ]
        return linking.book_linked(arrangement=Arrangement(arrangement), visits=asked, **given)

    def linked_clash(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> LinkedClash:
        clients = [visit["client_id"] for visit in data["visits"]]
        return _clash(data, path["location_id"], clients)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])


class MoveLinked(_OfLink):
    """Move every booked visit of a link, all or none. To move one alone, move the visit.

    A clash is 409 and names alternatives as for a booking of them.
    """

    access = {"POST": STAFF}
    input = MoveLinkedShape

    def handle(self, *, arrangement: str, visits: list[dict[str, Any]], **given: Any) -> Any:
        asked = [(v["visit_id"], [line_request(x) for x in v["lines"]]) for v in visits]
        return linking.move_linked(arrangement=Arrangement(arrangement), visits=asked, **given)

    def linked_clash(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> LinkedClash:
        ids = [visit["visit_id"] for visit in data["visits"]]
        known = {i: queries.place_and_client_of(i) for i in ids}
        clients = [known[i][1] for i in ids]
        return _clash(data, known[ids[0]][0], clients, without=ids)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, visit_id=path["id"])
