"""Endpoints of kits, implements and their way back."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from compliance.disinfection import actions, queries
from compliance.disinfection.api import serializers as shapes
from compliance.disinfection.bodies import KIT
from compliance.disinfection.models import Kit
from compliance.disinfection.problems import KitEmpty
from compliance.disinfection.rules.labels import Material
from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from compliance.requirements.rules.packs import CAUTION
from spa_ops.kernel.problems import AlreadyCorrected
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import LocationListView
from spa_ops.unit.work import reading
from spa_ops.web import bodies
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    LEADS,
    READERS,
    STAFF,
    ApiView,
    Command,
    RowView,
    answer,
    page_limit,
)


class ListKits(LocationListView):
    """The kits of a location with their implements."""

    access = {"GET": READERS}
    entity = KIT


class AddKit(Command):
    """Add a kit, empty until implements are added."""

    access = {"POST": LEADS}
    input = shapes.AddKit
    entity = KIT
    status = 201

    def handle(self, *, location: UUID, **given: Any) -> Kit:
        return actions.add_kit(location_id=location, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class ReadKit(RowView):
    """One kit with its implements."""

    access = {"GET": READERS}
    entity = KIT


class AddImplement(Command):
    """Add an implement to a kit; it counts as soiled until its way back is on record."""

    access = {"POST": LEADS}
    input = shapes.AddImplement
    entity = KIT
    status = 201

    def handle(self, *, kit: UUID, kind: str, materials: Any = (), **given: Any) -> Kit:
        return actions.add_implement(
            kit_id=kit,
            kind=ImplementClass(kind),
            materials=[Material(m) for m in materials],
            **given,
        )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, kit=path["id"])


class RecordReprocessing(Command):
    """One step of the way back, for a whole kit or some of it, recorded as it happened.

    What was done wrongly is kept and does not clear; read the kit's clearance for what to do.
    """

    access = {"POST": STAFF}
    input = shapes.RecordReprocessing
    entity = KIT
    problems = (KitEmpty,)

    def handle(self, *, kind: str, **given: Any) -> Kit:
        return actions.record_reprocessing(kind=EventKind(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, kit_id=path["id"])


class RecordReprocessingOfKits(Command):
    """One step of the way back for several kits and trays at once, all of it or nothing.

    The answer is each kit after it. What was done wrongly is kept and does not clear.
    """

    access = {"POST": STAFF}
    input = shapes.RecordReprocessingOfKits
    tag = "kits"
    output = object_schema(items=array_of(KIT.schema))
    problems = (KitEmpty,)

    def handle(self, *, location: UUID, kind: str, **given: Any) -> list[Kit]:
        return actions.record_reprocessing_of_kits(
            location_id=location, kind=EventKind(kind), **given
        )

    def render(self, entity_id: UUID | None) -> bytes | str:
        asked = dict.fromkeys(UUID(str(id_)) for id_ in self.request.data["kit_ids"])
        found = [bodies.body(KIT, id_, self.actor).json for id_ in asked]
        return '{"items": [' + ", ".join(found) + "]}"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location=path["id"])


class StrikeEvent(Command):
    """A mis-tap: this event did not happen. It stays on record, struck out, and states are derived again."""

    access = {"POST": STAFF}
    input = shapes.StrikeEvent
    entity = KIT
    tag = "kits"
    problems = (AlreadyCorrected,)

    def handle(self, **given: Any) -> Kit:
        return actions.strike_event(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, event_id=path["id"])


class ListKitEvents(ApiView):
    """The newest events of a kit's implements; struck ones say why."""

    access = {"GET": READERS}
    tag = "kits"
    parameters = {"limit": ("int", "1 to 200")}
    output = object_schema(
        items=array_of(
            object_schema(
                id="uuid", implement_id="uuid", kind="str", at="datetime", recorded_at="datetime",
                person_id="uuid?", agent_id="uuid?", struck_because="str?",
            )
        )
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        limit = page_limit(request, 50, 200)
        with reading(self.actor.business_id):
            tenancy.loaded(Kit, id, self.actor)
            return answer({"items": queries.events_of_kit(id, limit)})


class ReadClearance(ApiView):
    """Each implement of a kit now: cleared or not, why, what to do, and how long it must stay wet."""

    access = {"GET": READERS}
    output = object_schema(
        caution="str",
        items=array_of(
            object_schema(
                **{"class": "str"}, implement_id="uuid", tag="str", name="str", state="str", since="datetime?",
                is_cleared="bool", may_be_used="bool", reason="str", what_to_do="str", basis="str",
                due_at="datetime?", seconds_left="int?", warning="str?",
            )
        ),
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            kit = tenancy.loaded(Kit, id, self.actor)
            return answer({"caution": CAUTION, "items": queries.clearances(kit, self.now)})
