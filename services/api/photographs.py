"""Endpoints of photographs: taken, listed, shown, handed over, struck out."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request

from services.actions import photographs as actions
from services.api.places_in_time import next_in_time, place_in_time
from services.problems import PhotographConsentMissing, PhotographForbidden, PictureRefused
from services.queries import photographs as queries
from services.rules.photographs import MOST_BYTES, Fault, Moment, format_of, picture_of
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import AlreadyCorrected, Busy, WrongState
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.uploads import Upload
from spa_ops.web.views import FLOOR, LEADS, ApiView, Command, Strict, answer, page_limit

PHOTOGRAPH = object_schema(
    id="uuid", client_id="uuid", location_id="uuid", visit_id="uuid?", line_id="uuid?",
    incident_id="uuid?", moment="str", area="str?", size="int", width="int", height="int",
    taken_at="datetime", recorded_at="datetime", recorded_by="uuid?", struck_at="datetime?",
)  # fmt: skip


class PhotographIncidentShape(Strict):
    id = s.UUIDField(required=False)
    picture = s.FileField(help_text="JPEG, PNG or WebP, up to 8 MiB and 40 megapixels")
    moment = s.ChoiceField([m.value for m in Moment])
    area = s.CharField(
        max_length=40,
        required=False,
        help_text="a word of the screening rules; needed of whoever is not known to be 18",
    )
    taken_at = s.DateTimeField(required=False, help_text="default: now")


class PhotographVisitShape(PhotographIncidentShape):
    line_id = s.UUIDField(required=False, help_text="a line of the visit, whose area it shows")


def _told(photograph_id: UUID | None, actor: Actor) -> bytes:
    assert photograph_id is not None  # noqa: S101 - what is kept has an id
    found = queries.told([queries.photograph_named(photograph_id, actor)])
    if not found:
        raise Erased
    return orjson.dumps(found[0])


class _Take(Upload):
    """A photograph that is made of what was sent; answers what is kept of it, without the picture."""

    access = {"POST": FLOOR}
    most_bytes = MOST_BYTES
    status = 201
    tag = "photographs"
    problems = (PictureRefused, PhotographConsentMissing, PhotographForbidden, Erased)
    output = PHOTOGRAPH

    def parsed(self, request: Request) -> dict[str, Any]:
        data = super().parsed(request)
        content = data["picture"].read()
        # Seconds of work at worst: before the transaction, which must not idle.
        picture = picture_of(content)
        if isinstance(picture, Fault):
            raise PictureRefused(why=picture.value, found=format_of(content))
        return data | {"picture": picture, "moment": Moment(data["moment"])}

    def render(self, entity_id: UUID | None) -> bytes:
        return _told(entity_id, self.actor)


class PhotographVisit(_Take):
    """Keep a photograph of a visit's client, while they agree to photographs (for a minor, the guardian).

    It is drawn anew from its pixels, upright, at most 2560 long: what its metadata said, such as the
    place, is gone. Of whoever is not known to be 18 the area is needed, and no intimate area is taken.
    Your local law and board come first.
    """

    input = PhotographVisitShape

    def handle(self, **given: Any) -> Any:
        return actions.photograph_visit(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, visit_id=path["id"])


class PhotographIncident(_Take):
    """Keep a photograph of what a client's incident left. The same as of a visit in all else."""

    input = PhotographIncidentShape

    def handle(self, **given: Any) -> Any:
        return actions.photograph_incident(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, incident_id=path["id"])


class ListPhotographs(ApiView):
    """What photographs there are of a client, newest first, without the pictures; recorded as a read.

    Also those of records merged into the client. A struck-out one has `struck_at` and no picture.
    """

    access = {"GET": FLOOR}
    tag = "photographs"
    problems = (Erased, Busy)
    parameters = {
        "limit": ("int", "1 to 200, 50 by default"),
        "cursor": ("str", "`next` of a page"),
    }
    output = object_schema(items=array_of(PHOTOGRAPH), next="str?")

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        limit, before = page_limit(request, 50, 200), place_in_time(request)
        found = run(
            lambda: actions.read_photographs(
                actor=self.actor, now=self.now, client_id=id, before=before, limit=limit
            ),
            actor=self.actor,
            now=self.now,
        )
        return answer({"items": found["items"], "next": next_in_time(found["following"])})


class JpegRenderer(BaseRenderer):
    """For negotiation alone: the view answers the bytes itself."""

    media_type = "image/jpeg"
    format = "jpeg"
    charset = None

    def render(self, data: Any, *_: Any, **__: Any) -> bytes:
        return bytes(data)


class ShowPhotograph(ApiView):
    """The picture, as image/jpeg, for those who work on the client, while photographs are agreed to.

    Not to be kept by whoever shows it. Each view is recorded as a read of the client's health.
    """

    access = {"GET": FLOOR}
    tag = "photographs"
    problems = (PhotographConsentMissing, WrongState, Erased, Busy)
    renderer_classes = (JpegRenderer, JSONRenderer)
    media_type = "image/jpeg"
    output = {"type": "string", "format": "binary"}
    reads = staticmethod(actions.show_photograph)

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        picture = run(
            lambda: self.reads(actor=self.actor, now=self.now, photograph_id=id),
            actor=self.actor,
            now=self.now,
        )
        response = HttpResponse(picture, content_type="image/jpeg")
        response["Content-Disposition"] = f'attachment; filename="photograph-{id}.jpg"'
        response["Content-Security-Policy"] = "sandbox; default-src 'none'"
        response["Cross-Origin-Resource-Policy"] = "same-origin"
        response["X-Content-Type-Options"] = "nosniff"
        return response


class CopyPhotograph(ShowPhotograph):
    """The picture, to hand over to the client: they are entitled to it also after they withdrew.

    Recorded as a read.
    """

    access = {"GET": LEADS}
    problems = (WrongState, Erased, Busy)
    reads = staticmethod(actions.copy_photograph)


class StrikePhotographShape(Strict):
    reason = s.CharField(max_length=500)


class StrikePhotograph(Command):
    """A photograph is wrong: it shows somebody else, or was not agreed to. Its picture is destroyed.

    That there was one stays, with who struck it out and why. Cannot be undone, so a lead does it.
    """

    access = {"POST": LEADS}
    input = StrikePhotographShape
    tag = "photographs"
    problems = (AlreadyCorrected, Erased)
    output = PHOTOGRAPH

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.strike_photograph(photograph_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        return _told(entity_id, self.actor)
