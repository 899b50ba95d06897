"""The endpoint that says what a client who comes late can have."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT
from services import problems as p
from services.api import visit_shapes as shapes
from services.api.availability import OPTION_SCHEMA, shown_option
from services.queries.late_arrivals import LateArrival, Offer, late_arrival
from spa_ops.kernel.clock import rfc3339
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, Command, answer


class AskLateArrival(Command):
    """What a client who comes late can have: `shortened` at the expected time, by some lines or to the
    services' shortest, `moved` whole (with others where the same practitioners have no time within four
    hours), or `declined`. Nothing is done: whoever chooses sends `body` to `path`.

    Every offer is free as it is read, and held by nobody.
    """

    access = {"POST": STAFF}
    input = shapes.AskLateArrival
    tag = "visits"
    problems = (Erased, p.OtherPractitionerChosen, p.DoNotBook, p.ConditionNotMet, *POLICY_UNFIT)
    output = object_schema(
        expected_at="datetime",
        offers=array_of(
            object_schema(
                kind="str",
                path="str",
                body="object",
                option={"anyOf": [OPTION_SCHEMA, {"type": "null"}]},
            )
        ),
    )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        given = self.parsed(request)
        with reading(self.actor.business_id):
            found = late_arrival(
                actor=self.actor, now=self.now, visit_id=path["id"], minutes=given["minutes"]
            )
        offers = [_offer(found, offer) for offer in found.offers]
        return answer(
            {
                "expected_at": rfc3339(found.expected_at),
                "offers": [*offers, _declined(found.visit.id)],
            }
        )


def _offer(late: LateArrival, offer: Offer) -> dict[str, Any]:
    shown = shown_option(offer.option, late.visit.client_id)
    lines = [
        {**line, "shortened": short}
        for line, short in zip(shown["visit"]["lines"], offer.brief, strict=True)
    ]
    body: dict[str, Any] = {"lines": lines, "reason": "came late"}
    if offer.dropped:
        body["drop_line_ids"] = list(offer.dropped)
    path = f"/api/v1/visits/{late.visit.id}/move"
    return {"kind": offer.kind, "path": path, "body": body, "option": shown}


def _declined(visit_id: UUID) -> dict[str, Any]:
    path = f"/api/v1/visits/{visit_id}/cancel"
    return {"kind": "declined", "path": path, "body": {"reason": "came late"}, "option": None}
