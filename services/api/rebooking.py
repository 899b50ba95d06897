"""Rebooking dates over HTTP."""

from typing import Any
from uuid import UUID

from rest_framework import serializers as s

from clients.queries_people import ids_of
from services.actions import rebooking as actions
from services.bodies.rebooking import REBOOKING
from services.rules.reminders import RebookingState
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.web.views import READERS, STAFF, Command, Strict


class ChangeRebookingInput(Strict):
    rebook_on = s.DateField()


class ListRebookings(LocationListView):
    """Rebooking dates of a location in order of date, with where the reminder of each stands.

    `state` is waiting, sending, sent, unconfirmed (it may or may not have gone), not_sent or
    withdrawn; `outcome` is the channel, or why nothing was sent.
    """

    access = {"GET": READERS}
    entity = REBOOKING
    order = "e.rebook_on"
    order_type = "date"
    parameters = {
        "state": ("str", "only those in this state"),
        "client_id": ("uuid", "only this client's"),
        "from": ("date", "only dates from this day on"),
        "to": ("date", "only dates before this day"),
    }

    def narrower(self, place: Location) -> Conditions:
        state, client_id = self.query("state"), self.query("client_id")
        if state is not None and state not in set(RebookingState):
            raise invalid("?state", f"must be one of {', '.join(RebookingState)}")
        given = [
            ("e.state = %s", state),
            ("e.client_id = ANY(%s)", client_id and ids_of(client_id)),
            ("e.rebook_on >= %s", self.query("from")),
            ("e.rebook_on < %s", self.query("to")),
        ]
        return [(sql, [value]) for sql, value in given if value is not None]


class ChangeRebooking(Command):
    """The client wishes to come on another date. Answers that date's row, which has its own id.

    The former date waits no longer. A date whose reminder went out already gets no second one.
    """

    access = {"POST": STAFF}
    input = ChangeRebookingInput
    entity = REBOOKING

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.change_rebooking(rebooking_id=id, **given)


class WithdrawRebooking(Command):
    """The client wishes no reminder for this date."""

    access = {"POST": STAFF}
    entity = REBOOKING

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.withdraw_rebooking(rebooking_id=id, **given)
