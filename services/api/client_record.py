"""Erasing a client over HTTP: here and not in clients, because coming visits stand in its way."""

from typing import Any
from uuid import UUID

from rest_framework import serializers as s

from clients.actions_erasure import Asker, Reason
from clients.bodies import CLIENT
from clients.problems import RetentionHolds
from services.actions import erasure
from services.problems import VisitsAhead
from spa_ops.web.views import LEADS, Command, Strict


class EraseClientInput(Strict):
    asked_by = s.ChoiceField([a.value for a in Asker])
    reason = s.ChoiceField([r.value for r in Reason])
    cancel_visits = s.BooleanField(
        required=False, default=False, help_text="Cancel the client's booked visits as well"
    )


class EraseClient(Command):
    """Erase a client: what was sealed becomes unreadable for good, name, number and words are blanked.

    The row's id, visits, amounts paid and the evidence log's facts stay. Cannot be undone; doing it
    again changes nothing.
    """

    access = {"POST": LEADS}
    input = EraseClientInput
    entity = CLIENT
    problems = (VisitsAhead, RetentionHolds)

    def handle(self, *, id: UUID, asked_by: str, reason: str, **given: Any) -> Any:
        return erasure.erase_client(
            client_id=id, asked_by=Asker(asked_by), reason=Reason(reason), **given
        )
