"""Endpoints of the waiting list: who waits, what is offered to them, and what they said."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT, MergedAway
from clients.queries_people import ids_of
from services import problems as p
from services.actions import waiting as actions
from services.api.availability import AskedLine
from services.api.offering import Offering, of_offer
from services.api.visits import PLANNING
from services.bodies.visits import VISIT
from services.bodies.waiting import WAITING, WAITING_OFFER
from services.models import OfferState, Visit, WaitingEntry, WaitingState
from services.queries.alternatives import Clashed
from services.queries.availability import LineAsked
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import WEEKDAYS
from spa_ops.tenancy.sealing import Erased
from spa_ops.web.views import STAFF, Command, Strict

_TIME = s.TimeField(format="%H:%M", input_formats=["%H:%M"])


class AddWaitingInput(Strict):
    client_id = s.UUIDField()
    lines = AskedLine(many=True, help_text=f"1 to {actions.MOST_LINES}")
    from_on = s.DateField(help_text="the first local day that suits")
    until_on = s.DateField(help_text="the last one")
    weekdays = s.ListField(
        child=s.ChoiceField(WEEKDAYS), max_length=7, required=False, help_text="none: any day"
    )
    times = s.ListField(
        child=s.ListField(child=_TIME, min_length=2, max_length=2),
        max_length=6,
        required=False,
        help_text="local times within which it begins, each [from, before]; before from: the next day; none: at any time",
    )
    note = s.CharField(max_length=500, required=False, allow_blank=True)


class AcceptOfferInput(Strict):
    note = s.CharField(max_length=2000, required=False, allow_blank=True)


class DeclineOfferInput(Strict):
    withdraw = s.BooleanField(required=False, help_text="they wait no longer, either")


class ListWaiting(LocationListView):
    """The waiting list of a location in its order: those who wait, and those to whom a time is offered."""

    access = {"GET": STAFF}
    entity = WAITING
    order = "e.created_at"
    order_type = "timestamptz"
    parameters = {
        "state": ("str", "waiting, offered, booked, withdrawn or lapsed; without: the first two"),
        "client": ("uuid", "of one client"),
    }

    def narrower(self, place: Location) -> Conditions:
        state, client = self.query("state"), self.query("client")
        if state is not None and state not in set(WaitingState):
            raise invalid("?state", f"must be one of {', '.join(WaitingState)}")
        states = [state] if state else ["waiting", "offered"]
        found: Conditions = [("e.state = ANY(%s)", [states])]
        return found + ([("e.client_id = ANY(%s)", [ids_of(client)])] if client else [])


class AddWaiting(Command):
    """Put a client on the waiting list: which services, with whom or anybody, on which days and times.

    When time comes free, the first for whom it works is offered it; nothing is ever booked by itself.
    """

    access = {"POST": STAFF}
    input = AddWaitingInput
    entity = WAITING
    status = 201
    tag = "visits"
    problems = (
        Erased, MergedAway, p.OtherPractitionerChosen, p.DoNotBook, p.ConditionNotMet, *POLICY_UNFIT,
    )  # fmt: skip

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])

    def handle(self, *, lines: list[dict[str, Any]], **given: Any) -> WaitingEntry:
        return actions.add_entry(lines=[LineAsked(**line) for line in lines], **given)


class WithdrawWaiting(Command):
    """The client waits no longer; what was offered to them is free again."""

    access = {"POST": STAFF}
    entity = WAITING
    tag = "visits"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, entry_id=path["id"])

    def handle(self, **given: Any) -> WaitingEntry:
        return actions.withdraw_entry(**given)


class ListWaitingOffers(LocationListView):
    """What is kept for those who wait, for the desk to call: whom, at which number, what, when, until when.

    A minor's guardian is called, never the minor. `message_state` says whether a message went out,
    which only goes to who agreed to that. With `state`, the offers that are over, too.
    """

    access = {"GET": STAFF}
    entity = WAITING_OFFER
    order = "e.expires_at"
    order_type = "timestamptz"
    parameters = {
        "state": ("str", "offered, accepted, declined, lapsed or withdrawn; without: good now")
    }

    def narrower(self, place: Location) -> Conditions:
        state = self.query("state")
        if state is not None and state not in set(OfferState):
            raise invalid("?state", f"must be one of {', '.join(OfferState)}")
        if state is None:
            return [("e.state = 'offered' AND e.expires_at > %s", [self.now])]
        return [("e.state = %s", [state])]


class AcceptOffer(Offering):
    """The client takes it: booked in the place of what is kept, everything decided anew. Answers the visit.

    A clash (the house keeps more free by now) is 409 and names alternatives; the offer stands.
    """

    access = {"POST": STAFF}
    input = AcceptOfferInput
    entity = VISIT
    status = 201
    tag = "visits"
    problems = (*PLANNING, p.OfferOver)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, offer_id=path["id"])

    def handle(self, **given: Any) -> Visit:
        return actions.accept_offer(**given)

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed:
        return of_offer(path["offer_id"], self.actor)


class DeclineOffer(Command):
    """The client does not take it: the next is offered it. They keep their place, but for that day.

    Answers the entry.
    """

    access = {"POST": STAFF}
    input = DeclineOfferInput
    entity = WAITING
    tag = "visits"
    problems = (p.OfferOver,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, offer_id=path["id"])

    def handle(self, **given: Any) -> WaitingEntry:
        return actions.decline_offer(**given)
