"""Everything held of one client, as JSON and as a page to read; and what the retention rule lets go."""

import json
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.template.loader import render_to_string
from rest_framework.renderers import JSONRenderer, StaticHTMLRenderer
from rest_framework.request import Request

from clients import actions_erasure as actions
from clients.queries_record import due_for_expiry
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import Busy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading, run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import LEADS, ApiView, answer


class ExportClient(ApiView):
    """Everything held of a client, by table, health answers unsealed. That you read it is recorded."""

    access = {"GET": LEADS}
    problems = (Erased, Busy)
    output = object_schema(client_id="uuid", made_at="datetime", tables="object")

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        return answer(self.found(id))

    def found(self, client_id: UUID) -> Any:
        return run(
            lambda: actions.export_client(actor=self.actor, now=self.now, client_id=client_id),
            actor=self.actor,
            now=self.now,
        )


class ExportPage(ExportClient):
    """The same as an HTML page to read or print, complete but for photographs, whose copies it names.
    Recorded too.
    """

    output = {"type": "string"}
    media_type = "text/html"
    renderer_classes = (JSONRenderer, StaticHTMLRenderer)

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        return HttpResponse(_page(self.found(id)), content_type="text/html; charset=utf-8")


def _page(found: dict[str, Any]) -> str:
    tables = [
        (_words(table), [[(_words(k), _shown(v)) for k, v in row.items()] for row in rows])
        for table, rows in found["tables"].items()
    ]
    return render_to_string(
        "clients/export.html", {"made_at": rfc3339(found["made_at"]), "tables": tables}
    )


def _words(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _shown(value: Any) -> str:
    if value is None or value == "":
        return "not known"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


class RetentionDue(ApiView):
    """Whose answers the next sweep makes unreadable: a batch for each location, and nothing is changed."""

    access = {"GET": LEADS}
    output = object_schema(
        items=array_of(
            object_schema(client_id="uuid", location_id="uuid", last_recorded_at="datetime")
        )
    )

    def get(self, request: Request) -> HttpResponse:
        with reading(self.actor.business_id):
            places = Location.objects.order_by("id").values_list("id", flat=True)
            items = [
                row for p in places if self.actor.covers(p) for row in due_for_expiry(p, self.now)
            ]
        return answer({"items": items})
