"""The pull endpoint of a feed."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework.request import Request

from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import NotFound
from spa_ops.sync import queries
from spa_ops.sync.problems import CursorGone, CursorMalformed, SchemaUnsupported
from spa_ops.unit.work import snapshot
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, ApiView, json_response, page_limit


class PullChanges(ApiView):
    """What changed in a feed after `cursor`, with present bodies.

    Feeds are a location's id, or the business's id for the price list and the team. When
    `has_more` is false, whoever applied every page since the first equals the server.
    """

    access = {"GET": READERS}
    problems = (CursorMalformed, CursorGone, SchemaUnsupported)
    tag = "sync"
    parameters = {
        "cursor": ("str", "from the last answer; none for the beginning"),
        "limit": ("int", "changes per page, 1 to 2000"),
        "schema": ("int", "the schema number that the device understands"),
    }
    output = object_schema(
        changes=array_of(
            object_schema(
                seq="int",
                entity="str",
                id="uuid",
                op="str",
                version="int",
                body={"type": ["object", "null"]},
            )
        ),
        cursor="str",
        has_more="bool",
        schema="int",
        server_time="datetime",
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        actor = self.actor
        if id != actor.business_id and not actor.covers(id):
            raise NotFound
        wanted = self.query("schema")
        if wanted is not None and wanted != queries.SCHEMA:
            raise SchemaUnsupported(supported=queries.SCHEMA)
        cursor_text = request.query_params.get("cursor")
        if cursor_text and (len(cursor_text) > 400 or not cursor_text.isascii()):
            raise CursorMalformed
        limit = page_limit(request, 500, queries.MAX_CHANGES)
        with snapshot(actor.business_id):
            epoch, head, _ = queries.feed_head(id)
            etag = f'"{epoch.hex}-{head}"'
            if cursor_text and request.META.get("HTTP_IF_NONE_MATCH") == etag:
                return HttpResponse(status=304)
            page: dict[str, Any] = queries.pull(id, actor, cursor_text=cursor_text, limit=limit)
        rest = {k: page[k] for k in ("cursor", "has_more", "schema")} | {
            "server_time": rfc3339(self.now)
        }
        text = '{"changes":' + page["changes"] + "," + orjson.dumps(rest).decode()[1:]
        response = json_response(text)
        response["ETag"] = etag
        return response
