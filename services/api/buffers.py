"""Endpoints of what is kept free around a practitioner's visits."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import buffers as actions
from services.queries import buffers as queries
from spa_ops.tenancy.rules import MOST_BUFFER_MINUTES
from spa_ops.unit.work import reading
from spa_ops.web.entities import object_schema
from spa_ops.web.views import LEADS, READERS, ApiView, Command, Strict, answer


def _minutes(when: str) -> s.IntegerField:
    return s.IntegerField(
        min_value=0,
        max_value=MOST_BUFFER_MINUTES,
        allow_null=True,
        help_text=f"minutes kept free {when}; null: as the location has it",
    )


class SetBufferShape(Strict):
    before_minutes = _minutes("before the first part of each visit")
    after_minutes = _minutes("after the last part of each visit")


class ReadBuffer(ApiView):
    """A team member's own minutes that are kept free around each of their visits."""

    access = {"GET": READERS}
    tag = "people"
    output = object_schema(before_minutes="int?", after_minutes="int?")

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer(queries.buffer_of(id, self.actor))


class SetBuffer(Command):
    """Say anew what is kept free around a team member's visits. What is planned stays as it is."""

    access = {"POST": LEADS}
    input = SetBufferShape
    tag = "people"
    output = object_schema(id="uuid", before_minutes="int?", after_minutes="int?")

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.set_buffer(person_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        assert entity_id is not None  # noqa: S101
        return bytes(answer(queries.buffer_with(entity_id)).content)
