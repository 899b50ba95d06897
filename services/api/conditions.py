"""Endpoints of what binds a client's bookings, and of the languages that the team speaks."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import MergedAway
from services.actions import conditions as actions
from services.bodies.conditions import CONDITION
from services.queries import conditions as queries
from services.rules.conditions import ConditionKind
from spa_ops.kernel import problems as kernel
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, READERS, STAFF, ApiView, Command, ListView, Strict, answer

_LANGUAGE = r"^[a-z]{2,3}(-[A-Z]{2})?$"


class SetConditionShape(Strict):
    kind = s.ChoiceField([k.value for k in ConditionKind if k is not ConditionKind.DO_NOT_BOOK])
    extra_minutes = s.IntegerField(
        min_value=5, max_value=120, required=False, help_text="more hands-on, for each service"
    )
    language = s.RegexField(_LANGUAGE, max_length=12, required=False)
    practitioner_id = s.UUIDField(required=False)
    required = s.BooleanField(
        required=False, help_text="a must; without it a language or a practitioner is a wish"
    )


class RefuseBookingShape(Strict):
    reason = s.CharField(max_length=2000)


class SetLanguagesShape(Strict):
    languages = s.ListField(child=s.RegexField(_LANGUAGE, max_length=12), max_length=20)


class ListConditions(ListView):
    """What binds a client's bookings, standing and lifted; that nobody books, and not why."""

    access = {"GET": STAFF}
    entity = CONDITION
    order = "e.recorded_at"
    order_type = "timestamptz"
    tag = "clients"

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        return [("e.client_id = ANY(%s)", [queries.records_of(id, self.actor)])]


class SetCondition(Command):
    """Bind coming bookings of a client: more minutes, a step-free room, a language, a practitioner
    wanted or not. It binds from now on; what is booked stays.
    """

    access = {"POST": STAFF}
    input = SetConditionShape
    entity = CONDITION
    status = 201
    tag = "clients"
    problems = (Erased, MergedAway)

    def handle(self, *, id: UUID, kind: str, **given: Any) -> Any:
        return actions.set_condition(client_id=id, kind=ConditionKind(kind), **given)


class RefuseBooking(Command):
    """Set that a client is not booked, and why. Leads alone set, read and lift it."""

    access = {"POST": LEADS}
    input = RefuseBookingShape
    entity = CONDITION
    status = 201
    tag = "clients"
    problems = (Erased, MergedAway)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.refuse_booking(client_id=id, **given)


class ReadRefusals(ApiView):
    """Why a client is not booked; each reading is recorded."""

    access = {"GET": LEADS}
    tag = "clients"
    problems = (Erased,)
    output = object_schema(
        items=array_of(
            object_schema(id="uuid", reason="str", recorded_at="datetime", set_by="uuid?")
        )
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        found = actions.read_refusals(actor=self.actor, now=self.now, client_id=id)
        return answer({"items": found})


class LiftCondition(Command):
    """End a condition; that nobody books a client is lifted by leads alone."""

    access = {"POST": STAFF}
    entity = CONDITION
    tag = "clients"
    problems = (kernel.NotAllowed,)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.lift_condition(condition_id=id, **given)


_SPOKEN = object_schema(languages="[str]")


class ReadLanguages(ApiView):
    """The languages in which a team member can speak with clients."""

    access = {"GET": READERS}
    tag = "people"
    output = _SPOKEN

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer({"languages": queries.languages_of(id, self.actor)})


class SetLanguages(Command):
    """Say anew which languages a team member speaks."""

    access = {"POST": LEADS}
    input = SetLanguagesShape
    tag = "people"
    output = object_schema(id="uuid", languages="[str]")

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.set_languages(person_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        assert entity_id is not None  # noqa: S101
        return bytes(answer(queries.spoken(entity_id)).content)
