"""Endpoints of kits counted back, and of what is missing."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.disinfection import actions
from compliance.disinfection.api import serializers as shapes
from compliance.disinfection.bodies import KIT
from compliance.disinfection.models import Kit
from compliance.disinfection.queries import counting as queries
from compliance.disinfection.rules.counting import Outcome
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, READERS, STAFF, ApiView, Command, answer


class CountKitBack(Command):
    """A kit counted back after a visit. What is missing keeps linen and bin of the room: search them.

    Count again when something turned up: the last count holds.
    """

    access = {"POST": STAFF}
    input = shapes.CountBack
    entity = KIT

    def handle(self, **given: Any) -> Kit:
        return actions.count_kit_back(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, kit_id=path["id"])


class ListMissingPieces(ApiView):
    """What is missing from the kits of a location, longest first, and where to search."""

    access = {"GET": READERS}
    tag = "kits"
    output = object_schema(
        items=array_of(
            object_schema(
                id="uuid", kit_id="uuid", implement_id="uuid", tag="str", name="str", visit_id="uuid",
                missed_at="datetime", missed_by="uuid?", what_to_do="str",
            )
        )
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            tenancy.location(id, self.actor)
            return answer({"items": queries.missing_at(id)})


class _OnMissingPiece(Command):
    entity = KIT
    tag = "kits"
    problems = (WrongState,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, missing_id=path["id"])


class FindMissingPiece(_OnMissingPiece):
    """A missing piece is found; it is soiled until its way back is on record."""

    access = {"POST": STAFF}

    def handle(self, **given: Any) -> Kit:
        return actions.settle_missing_piece(outcome=Outcome.FOUND, **given)


class WriteOffMissingPiece(_OnMissingPiece):
    """A missing piece is written off: it leaves its kit, and linen and bin may go."""

    access = {"POST": LEADS}
    input = shapes.WriteOff

    def handle(self, *, outcome: str, **given: Any) -> Kit:
        return actions.settle_missing_piece(outcome=Outcome(outcome), **given)
