"""Clients who may be one person, over HTTP."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.actions_duplicates import tell_apart
from clients.bodies import CLIENT
from clients.queries_duplicates import duplicates
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, ApiView, Command, Strict, answer, page_limit


class ListDuplicates(ApiView):
    """Pairs of clients who may be one person, and why: phone, email, name_and_birth_date.

    Those with more in common come first; who was told apart is not suggested again.
    """

    access = {"GET": LEADS}
    parameters = {"limit": ("int", "1 to 200")}
    output = object_schema(items=array_of(object_schema(client_ids="[uuid]", why="[str]")))

    def get(self, request: Request) -> HttpResponse:
        limit = page_limit(request, 50, 200)
        with reading(self.actor.business_id):
            return answer({"items": duplicates(limit)})


class TellApartInput(Strict):
    client_id = s.UUIDField(help_text="The other client")


class TellApart(Command):
    """Say that this client and another who looks alike are two people. Saying it again changes nothing."""

    access = {"POST": LEADS}
    input = TellApartInput
    entity = CLIENT

    def handle(self, *, id: UUID, client_id: UUID, **given: Any) -> Any:
        return tell_apart(client_id=id, other_id=client_id, **given)
