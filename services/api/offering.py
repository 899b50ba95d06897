"""Commands whose clash comes back with fresh alternatives."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services.api.availability import shown_option
from services.models import LineState
from services.queries import visits as queries
from services.queries import waiting
from services.queries.alternatives import Clashed, alternatives, asked_of
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.actor import Actor
from spa_ops.unit.work import reading
from spa_ops.web.views import Command


class Offering(Command):
    """A command whose `claim-clash` carries `alternatives`, looked for after it was rolled back."""

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed | None:
        """What was asked for, to be asked for again; None: nothing can be offered. Inside a read."""
        raise NotImplementedError

    def _command(self, request: Request, **path: Any) -> HttpResponse:
        try:
            return super()._command(request, **path)
        except ClaimClash as clash:
            shown = self.offered(self.parsed(request), path)
            if shown is not None:
                clash.fields["alternatives"] = shown
            raise

    def offered(
        self, data: Mapping[str, Any], path: Mapping[str, Any]
    ) -> list[dict[str, Any]] | None:
        """What can be had instead; None: that could not be looked for."""
        with reading(self.actor.business_id):
            asked = self.clashed(data, path)
        if asked is None:
            return None
        found = alternatives(actor=self.actor, now=self.now, clashed=asked)
        if found is None:
            return None
        return [shown_option(option, asked.client_id) for option in found]


def of_new_visit(data: Mapping[str, Any], location_id: UUID, now: Any) -> Clashed | None:
    """What a booking or a hold asked for; a hold's own time counts as free."""
    lines, client_id = data["lines"], data.get("client_id")
    if client_id is None:
        return None
    return Clashed(
        location_id=location_id,
        client_id=client_id,
        lines=asked_of((x["service_id"], x["practitioner_id"]) for x in lines),
        since=lines[0].get("starts_at") or now,
        without=frozenset({data["hold_id"]} if data.get("hold_id") else ()),
    )


def of_visit(data: Mapping[str, Any], visit_id: UUID, now: Any) -> Clashed:
    """What moving a visit asked for; what it has counts as free."""
    location_id, client_id = queries.place_and_client_of(visit_id)
    lines = data["lines"]
    return Clashed(
        location_id=location_id,
        client_id=client_id,
        lines=asked_of((x["service_id"], x["practitioner_id"]) for x in lines),
        since=lines[0].get("starts_at") or now,
        without=frozenset({visit_id}),
    )


def of_added_line(data: Mapping[str, Any], visit_id: UUID, now: Any) -> Clashed:
    """What adding a line asked for: the service after what the visit has already."""
    location_id, client_id = queries.place_and_client_of(visit_id)
    live = [x for x in queries.lines_of(visit_id) if x.state != LineState.DROPPED]
    ends_at = max((x.ends_at for x in live), default=now)
    return Clashed(
        location_id=location_id,
        client_id=client_id,
        lines=asked_of([(data["service_id"], data["practitioner_id"])]),
        since=max(data.get("starts_at") or ends_at, ends_at),
    )


def of_offer(offer_id: UUID, actor: Actor) -> Clashed:
    """What accepting an offer asked for; what is kept for it counts as free."""
    offer = waiting.offer_named(offer_id, actor)
    return Clashed(
        location_id=offer.location_id,
        client_id=waiting.client_of(offer),
        lines=asked_of(
            (UUID(line["service_id"]), UUID(line["practitioner_id"])) for line in offer.lines
        ),
        since=offer.starts_at,
        without=frozenset({offer.id}),
    )


def of_visit_with(practitioner_id: UUID, visit_id: UUID, now: Any) -> Clashed | None:
    """What giving a visit to somebody else asked for: its lines that have not begun, with them."""
    location_id, client_id = queries.place_and_client_of(visit_id)
    lines = [x for x in queries.lines_of(visit_id) if x.state == LineState.PLANNED]
    if not lines:
        return None
    return Clashed(
        location_id=location_id,
        client_id=client_id,
        lines=asked_of((x.service_id, practitioner_id) for x in lines),
        since=min(x.starts_at for x in lines),
        without=frozenset({x.id for x in lines}),
    )


def of_line(data: Mapping[str, Any], line_id: UUID, now: Any) -> Clashed:
    """What swapping a line asked for; what the line has counts as free."""
    old = queries.line_of(line_id)
    location_id, client_id = queries.place_and_client_of(old.visit_id)
    line = data["line"]
    return Clashed(
        location_id=location_id,
        client_id=client_id,
        lines=asked_of([(line["service_id"], line["practitioner_id"])]),
        since=line.get("starts_at") or old.starts_at,
        without=frozenset({line_id}),
    )
