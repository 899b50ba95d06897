"""Endpoints of clients, and of what consultations have kept."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients import actions, queries
from clients.api import serializers as shapes
from clients.bodies import CLIENT, HEALTH_READ
from clients.models import Client
from clients.problems import MergedAway
from clients.queries_people import ids_of
from spa_ops.kernel.problems import Busy
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    FLOOR,
    LEADS,
    STAFF,
    ApiView,
    Command,
    Edit,
    ListView,
    RowView,
    answer,
)


class ListClients(ListView):
    """The clients of the business by name.

    `q` keeps those of whom, for each word in it, a part of the name or the phone number begins with
    that word; accents make no difference. Who was merged into another is found as that one.
    """

    access = {"GET": STAFF}
    entity = CLIENT
    order = "e.sort_name"
    order_type = "text"
    parameters = {"q": ("str", "beginnings of parts of the name, or of the phone number")}

    def filters(self, **path: Any) -> list[tuple[str, list[Any]]]:
        text = self.query("q")
        found = [] if text is None else queries.beginning_with(text)
        return [("e.merged_into_id IS NULL", []), *found]


class AddClient(Command):
    """Add a client at a location. They have consented to nothing yet."""

    access = {"POST": STAFF}
    input = shapes.AddClient
    entity = CLIENT
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.add_client(**given)


class ReadClient(RowView):
    """One client, with the consents that hold. Nothing of their health."""

    access = {"GET": STAFF}
    entity = CLIENT


class ChangeClient(Edit):
    """Change a client's name, number, address, birth date, language, zone or note."""

    access = {"PATCH": STAFF}
    input = shapes.ChangeClient
    entity = CLIENT
    problems = (Erased, MergedAway)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.change_client(client_id=id, **given)


_ITEM = object_schema(
    id="uuid", visit_id="uuid", kind="str", content="object", recorded_at="datetime",
    recorded_by="uuid?",
    struck={
        "type": ["object", "null"],
        "properties": object_schema(
            id="uuid", recorded_at="datetime", recorded_by="uuid?", reason="str"
        )["properties"],
    },
)  # fmt: skip


class ReadHealth(ApiView):
    """What was said and seen in a client's consultations. That you read it is recorded.

    For those who work on the client, where the client is known. `unverified` are words from an
    import: nobody has asked the client yet.
    """

    access = {"GET": FLOOR}
    problems = (Erased, Busy)
    parameters = {
        "visit_id": ("uuid", "only of this visit"),
        "struck": ("bool", "true shows also what was struck out as wrong"),
    }
    output = object_schema(client_id="uuid", unverified="str?", items=array_of(_ITEM))

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        visit_id, with_struck = self.query("visit_id"), bool(self.query("struck"))

        def body() -> dict[str, Any]:
            items = actions.read_health(
                actor=self.actor,
                now=self.now,
                client_id=id,
                visit_id=visit_id,
                with_struck=with_struck,
            )
            unverified = queries.unverified_of_person(id)
            return {"client_id": id, "unverified": unverified, "items": items}

        return answer(run(body, actor=self.actor, now=self.now))


class ListHealthReads(ListView):
    """Who read a client's health answers, and when, oldest first; at which visit, if only of one."""

    access = {"GET": LEADS}
    entity = HEALTH_READ
    order = "e.read_at"
    order_type = "timestamptz"

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        queries.known_at(tenancy.loaded(Client, id, self.actor), self.actor)
        return [("e.client_id = ANY(%s)", [ids_of(id)])]
