"""Endpoints of the intake before a visit: its link for the desk, its confirmation in the room."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT, HealthConsentMissing
from services.actions import consultation, intake
from services.api import visit_shapes as shapes
from services.api.visits import OnVisit
from services.bodies.visits import VISIT
from services.models import Visit
from services.queries import intake as queries
from services.rules.intake import ends_at
from spa_ops.kernel.problems import NotFound, WrongState
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import object_schema
from spa_ops.web.views import FLOOR, STAFF, ApiView, Command, answer

#: Where the page for a link is; the token is the last part.
PAGE = "/intake/"
_LINK = object_schema(
    visit_id="uuid", state="str", created_at="datetime?", expires_at="datetime?", submitted_at="datetime?"
)  # fmt: skip


class MakeIntakeLink(Command):
    """A link through which the client answers the questions of this visit beforehand.

    The address is shown this once (a replay answers without it): hand it to the client or their
    guardian. It ends a day after the visit's start and after 14 days at most; a new link replaces
    the older. What comes through it is told, not confirmed: it never counts as screening by itself.
    """

    access = {"POST": STAFF}
    status = 201
    tag = "visits"
    problems = (NotFound, WrongState)
    output = object_schema(link_id="uuid", url="str?", expires_at="datetime?")

    def post(self, request: Request, **path: Any) -> HttpResponse:
        self.address = request.build_absolute_uri(PAGE)
        return self._command(request, visit_id=path["id"])

    def handle(self, **given: Any) -> intake.NewLink:
        return intake.make_link(**given)

    def render(self, entity_id: UUID | None) -> bytes:
        return orjson.dumps({"link_id": str(entity_id), "url": None, "expires_at": None})

    def render_result(self, result: Any, result_id: UUID | None) -> bytes:
        url = f"{self.address}{result.token}"
        return orjson.dumps({"link_id": result_id, "url": url, "expires_at": result.expires_at})


class ReadIntakeLink(ApiView):
    """Where the newest link of a visit stands: none, open, sent, revoked or over. Never its address."""

    access = {"GET": STAFF}
    tag = "visits"
    output = _LINK

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            visit = tenancy.loaded(Visit, id, self.actor)
            link = queries.newest_link(visit.id)
        if link is None:
            return answer(
                dict.fromkeys(_LINK["properties"]) | {"visit_id": visit.id, "state": "none"}
            )
        return answer(
            {
                "visit_id": visit.id,
                "state": queries.state_of(link, visit, self.now),
                "created_at": link.created_at,
                "expires_at": ends_at(link.created_at, visit.starts_at),
                "submitted_at": link.submitted_at,
            }
        )


class RevokeIntakeLink(OnVisit):
    """Take the link back; what was sent through it stays."""

    access = {"POST": STAFF}
    entity = VISIT

    def handle(self, **given: Any) -> Visit:
        return intake.revoke_link(**given)


class ConfirmIntakeShape(shapes.HoldConsultation):
    item_ids = s.ListField(
        child=s.UUIDField(),
        max_length=1000,
        required=False,
        allow_null=True,
        help_text="of the newest intake; none: all that are not confirmed yet",
    )
    birth_date = s.BooleanField(
        required=False, help_text="put the told date of birth on the client's record"
    )


class ConfirmIntake(OnVisit):
    """What was told before the visit, gone through with the client in the room, is said at this visit.

    With what was changed or added: an answer given here replaces all that was told for its question.
    Decides every open line, as a consultation does.
    """

    access = {"POST": FLOOR}
    input = ConfirmIntakeShape
    problems = (HealthConsentMissing, *POLICY_UNFIT)

    def handle(self, *, met: Any = (), **given: Any) -> Visit:
        return intake.confirm(met=[consultation.Met(**m) for m in met], **given)
