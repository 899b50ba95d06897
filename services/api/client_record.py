"""Erasing and merging clients over HTTP: not in clients, because visits stand in their way."""

from typing import Any
from uuid import UUID

from rest_framework import serializers as s

from clients.actions_erasure import Asker, Reason
from clients.actions_merge import MergeReason
from clients.bodies import CLIENT
from clients.problems import (
    POLICY_UNFIT,
    BirthDatesDiffer,
    MergedAway,
    RetentionHolds,
    TooLateToUndo,
)
from services.actions import erasure, merging
from services.problems import VisitsAhead, VisitsToMove
from spa_ops.kernel.problems import Busy, WrongState
from spa_ops.tenancy.sealing import Erased
from spa_ops.web.views import LEADS, Command, Strict


class EraseClientInput(Strict):
    asked_by = s.ChoiceField([a.value for a in Asker])
    reason = s.ChoiceField([r.value for r in Reason])
    cancel_visits = s.BooleanField(
        required=False, default=False, help_text="Cancel the client's booked visits as well"
    )


class MergeClientInput(Strict):
    into = s.UUIDField(help_text="The record of the same person that is left")
    reason = s.ChoiceField([r.value for r in MergeReason], required=False)


class MergeClient(Command):
    """Say that this client and `into` are one person. Answers `into`, which is left.

    No row is moved: what was kept of both is shown, judged and exported together from now on, and of
    consents the strictest holds until the client is asked anew. This one is found no more, and booked
    and asked no more (`merged-away`). Can be undone for 30 days. Saying it again changes nothing.
    """

    access = {"POST": LEADS}
    input = MergeClientInput
    entity = CLIENT
    problems = (VisitsToMove, MergedAway, BirthDatesDiffer, Erased, *POLICY_UNFIT)

    def handle(self, *, id: UUID, into: UUID, reason: str | None = None, **given: Any) -> Any:
        why = MergeReason(reason) if reason else None
        return merging.merge_client(client_id=id, into_id=into, reason=why, **given)


class UndoMerge(Command):
    """Undo the merge of this client into another, through `merge_undone_until`. Answers this client.

    It has what it had; what was recorded since the merge stays with the one it was recorded for.
    """

    access = {"POST": LEADS}
    entity = CLIENT
    problems = (TooLateToUndo, WrongState, Erased, Busy, *POLICY_UNFIT)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return merging.undo_merge(client_id=id, **given)


class EraseClient(Command):
    """Erase a client: what was sealed becomes unreadable for good, name, number and words are blanked.

    The row's id, visits, amounts paid and the evidence log's facts stay. Cannot be undone; doing it
    again changes nothing.
    """

    access = {"POST": LEADS}
    input = EraseClientInput
    entity = CLIENT
    problems = (VisitsAhead, RetentionHolds, MergedAway)

    def handle(self, *, id: UUID, asked_by: str, reason: str, **given: Any) -> Any:
        return erasure.erase_client(
            client_id=id, asked_by=Asker(asked_by), reason=Reason(reason), **given
        )
