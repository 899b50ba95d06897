"""Endpoints of the work on one line. One view per verb; each calls one action."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT
from rooms.problems import PotNotReady, RoomNotReady
from services import problems as p
from services.actions import changing, consultation, corrections, replanning
from services.actions import lines as work
from services.api import visit_shapes as shapes
from services.api.offering import Offering, of_line
from services.api.visits import PLANNING, line_request
from services.bodies.visits import VISIT
from services.models import Visit
from services.queries import visits as queries
from services.queries.alternatives import Clashed
from services.rules.hygiene import BLOOD_CAUTION
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.problems import invalid
from spa_ops.unit.work import reading
from spa_ops.web.views import (
    FLOOR,
    STAFF,
    Command,
)


class _OnLine(Command):
    """A command on one line; answers its visit."""

    entity = VISIT
    tag = "lines"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, line_id=path["id"])


class OverrideVerdict(_OnLine):
    """Let a line start against its verdict: by a lead or practitioner whose own valid licence and skill
    cover the service, where the rules allow it, with a reason.
    """

    access = {"POST": FLOOR}
    input = shapes.WithReason
    problems = (p.NotOverridable, p.NotCovered)

    def handle(self, **given: Any) -> Visit:
        return consultation.override_verdict(**given)


class StartLine(_OnLine):
    """Begin or go on: screened today, room and kit ready, licence and skill valid, hygiene confirmed.

    With wax: from a pot that was measured today within its product's range, where the room has pots
    on file; `wax_pot_id` says which, if there are several.
    """

    access = {"POST": FLOOR}
    input = shapes.StartLine
    problems = (
        p.Bleeding,
        p.NotScreened,
        p.ScreeningForbids,
        p.NotCovered,
        RoomNotReady,
        p.KitNotCleared,
        PotNotReady,
        p.NotHygienic,
        *POLICY_UNFIT,
    )

    def handle(
        self,
        *,
        actor: Any,
        now: Any,
        line_id: UUID,
        wax_pot_id: UUID | None = None,
        **confirmed: bool,
    ) -> Visit:
        return work.start_line(
            actor=actor, now=now, line_id=line_id, confirmed=confirmed, wax_pot_id=wax_pot_id
        )


class PauseLine(_OnLine):
    """Interrupt a running line."""

    access = {"POST": FLOOR}
    input = shapes.WithReason

    def handle(self, **given: Any) -> Visit:
        return work.pause_line(**given)


class StopLine(_OnLine):
    """End a line early: why, what was done, and the price agreed."""

    access = {"POST": FLOOR}
    input = shapes.StopLine

    def handle(self, **given: Any) -> Visit:
        return work.stop_line(**given)


class RecordBlood(_OnLine):
    __doc__ = f"Blood seen, in one command. {BLOOD_CAUTION}"

    access = {"POST": FLOOR}
    input = shapes.RecordBlood

    def handle(self, *, actor: Any, now: Any, line_id: UUID, **confirmed: bool) -> Visit:
        return work.record_blood(actor=actor, now=now, line_id=line_id, confirmed=confirmed)


class RecordBleedingStopped(_OnLine):
    """The bleeding has stopped and is covered."""

    access = {"POST": FLOOR}

    def handle(self, **given: Any) -> Visit:
        return work.record_bleeding_stopped(**given)


class FinishLine(_OnLine):
    """Gloves off, then hands washed, and the record of what was done.

    With `gloves_on` it is one tap and nothing else: the record is owed until it is confirmed as a
    record of the line, prefilled from its draft. Wax that went over the same skin too often is
    recorded as a flaw.
    """

    access = {"POST": FLOOR}
    input = shapes.FinishLine
    problems = (p.NotHygienic,)

    def handle(
        self,
        *,
        actor: Any,
        now: Any,
        line_id: UUID,
        record: Any = None,
        gloves_on: bool = False,
        **confirmed: bool,
    ) -> Visit:
        if gloves_on and record is None:
            return work.finish_with_gloves_on(actor=actor, now=now, line_id=line_id)
        if record is None:
            raise invalid("/record", "is needed unless gloves are still on", "required")
        return work.finish_line(
            actor=actor, now=now, line_id=line_id, record=dict(record), confirmed=confirmed
        )


class StrikeLineState(_OnLine):
    """Started, finished or stopped was a mistake, while the client is in the room. Both stay on record."""

    access = {"POST": FLOOR}
    input = shapes.WithReason

    def handle(self, **given: Any) -> Visit:
        return corrections.strike_line_state(**given)


class AddWorkRecord(_OnLine):
    """A further record of a line: a correction, or what was left out. The former stays.

    The first record of a line that was finished with gloves on is confirmed after gloves are off and
    hands washed, and says when the work was done.
    """

    access = {"POST": FLOOR}
    input = shapes.AddWorkRecordInput
    problems = (p.NotHygienic,)

    def handle(
        self,
        *,
        actor: Any,
        now: Any,
        line_id: UUID,
        gloves_off: bool = False,
        hands_washed: bool = False,
        happened_at: Any = None,
        **record: Any,
    ) -> Visit:
        return work.add_work_record(
            actor=actor,
            now=now,
            line_id=line_id,
            record=record,
            happened_at=happened_at,
            confirmed={"gloves_off": gloves_off, "hands_washed": hands_washed},
        )


class DropLine(_OnLine):
    """Take a planned line out."""

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.WithReason
    problems = POLICY_UNFIT

    def handle(self, **given: Any) -> Visit:
        return replanning.drop_line(**given)


class DeclineLine(_OnLine):
    """The line's own practitioner declines it before it starts, with a reason; nobody is blamed.

    It is taken out. The desk offers the client somebody else.
    """

    takes_match = True
    access = {"POST": FLOOR}
    input = shapes.WithReason
    problems = (p.NotCovered, *POLICY_UNFIT)

    def handle(self, **given: Any) -> Visit:
        return replanning.decline_line(**given)


class ExtendLine(_OnLine):
    """Give a running line more minutes; what is planned after it in the visit is pushed where it must be.

    Only free time is taken: a clash is 409, and `free_minutes` is for how long nobody else has the time.
    """

    takes_match = True
    access = {"POST": FLOOR}
    input = shapes.ExtendLine
    problems = (ClaimClash, p.OffShift, p.OutsideOpeningHours)

    def handle(self, **given: Any) -> Visit:
        return changing.extend_line(**given)

    def _command(self, request: Request, **path: Any) -> HttpResponse:
        try:
            return super()._command(request, **path)
        except ClaimClash as clash:
            with reading(self.actor.business_id):
                clash.fields["free_minutes"] = queries.free_minutes_after(path["line_id"], self.now)
            raise


class SwapLine(_OnLine, Offering):
    """Another service, practitioner or room for a planned line, before the visit or while it runs.

    A new area is screened, time and kit are checked; a clash is 409 and names alternatives.
    """

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.SwapLine
    problems = (*PLANNING, *POLICY_UNFIT)

    def handle(self, *, line: Any, **given: Any) -> Visit:
        return replanning.swap_line(request=line_request(dict(line)), **given)

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed:
        return of_line(data, path["line_id"], self.now)
