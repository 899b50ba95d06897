"""Endpoints of visits and their lines. One view per verb; each calls one action."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients import actions as clients
from clients.rule_files import shipped_rule_set
from rooms.problems import RoomNotReady
from services import problems as p
from services.actions import booking, consultation, corrections, lines, replanning, visit
from services.api import visit_shapes as shapes
from services.bodies.visits import VISIT
from services.models import Visit
from services.queries import visits as queries
from services.rules.hygiene import BLOOD_CAUTION
from spa_ops.claims.problems import ClaimClash
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.problems import LicenceLapsed
from spa_ops.unit.work import reading, run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    FLOOR,
    READERS,
    STAFF,
    ApiView,
    Command,
    ListView,
    RowView,
    answer,
)

PLANNING = (
    ClaimClash,
    p.InThePast,
    p.OutsideOpeningHours,
    p.OffShift,
    p.SkillMissing,
    LicenceLapsed,
    p.RoomLacksFeature,
    p.KitMissing,
)


def line_request(given: dict[str, Any]) -> booking.LineRequest:
    """One line as sent in, for the actions."""
    return booking.LineRequest(**given)


class ListVisits(ListView):
    """Visits of a location in order of time, from `from` up to `to`; or of one client."""

    access = {"GET": READERS}
    entity = VISIT
    order = "e.starts_at"
    order_type = "timestamptz"
    parameters = {
        "from": ("datetime", "starting at or after"),
        "to": ("datetime", "starting before"),
        "client": ("uuid", "of one client"),
        "state": ("str", "booked, arrived, in_room, left, cancelled or no_show"),
    }

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        tenancy.location(id, self.actor)
        found: list[tuple[str, list[Any]]] = [("e.location_id = %s", [id])]
        for name, sql in (
            ("from", "e.starts_at >= %s"),
            ("to", "e.starts_at < %s"),
            ("client", "e.client_id = %s"),
            ("state", "e.state = %s"),
        ):
            value = self.query(name)
            if value is not None:
                found.append((sql, [value]))
        return found


class BookVisit(Command):
    """Book a visit of one or more lines. A clash is 409 and names what clashes and until when."""

    access = {"POST": STAFF}
    input = shapes.BookVisit
    entity = VISIT
    status = 201
    problems = PLANNING

    def handle(self, *, location: UUID, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return booking.book_visit(
            location_id=location, lines=[line_request(x) for x in lines], **given
        )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The visit may bring its own id: the address names the location.
        return self._command(request, location=path["id"])


class TakeWalkIn(BookVisit):
    """Book and arrive in one, for someone who stands at the desk."""

    problems = (*PLANNING, p.NotTheDay)

    def handle(self, *, location: UUID, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return visit.take_walk_in(
            location_id=location, lines=[line_request(x) for x in lines], **given
        )


class ReadVisit(RowView):
    """One visit with its lines. No health answer: outcome and date of screening only."""

    access = {"GET": READERS}
    entity = VISIT


class _OnVisit(Command):
    """A command on a visit; answers the visit."""

    entity = VISIT
    tag = "visits"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, visit_id=path["id"])


class MoveVisit(_OnVisit):
    """Give a booked visit other times, people, rooms or kits; what it had is freed first."""

    access = {"POST": STAFF}
    input = shapes.MoveVisit
    problems = PLANNING

    def handle(self, *, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return booking.move_visit(lines=[line_request(x) for x in lines], **given)


class CancelVisit(_OnVisit):
    """Cancel; when, by whom and how much notice are kept with the policy shown at booking."""

    access = {"POST": STAFF}
    input = shapes.MaybeReason

    def handle(self, **given: Any) -> Visit:
        return booking.cancel_visit(**given)


class RecordNoShow(_OnVisit):
    """The client did not come; only once the time has passed."""

    access = {"POST": STAFF}

    def handle(self, **given: Any) -> Visit:
        return booking.record_no_show(**given)


class ListChanges(ApiView):
    """What happened to the plan of a visit: booked, moved, cancelled, not come; with notice and policy."""

    access = {"GET": STAFF}
    tag = "visits"
    output = object_schema(
        items=array_of(
            object_schema(
                kind="str", at="datetime", person_id="uuid?", notice_minutes="int?", was_at="datetime?",
                is_at="datetime?", reason="str", policy_shown="str",
            )
        )
    )  # fmt: skip

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            tenancy.loaded(Visit, id, self.actor)
            rows = queries.changes_of(id)
        names = self.output["properties"]["items"]["items"]["properties"]
        return answer({"items": [{name: getattr(row, name) for name in names} for row in rows]})


class StrikeVisitState(_OnVisit):
    """Arrived, cancelled or not come was a mistake: booked as before. Both stay on record."""

    access = {"POST": STAFF}
    input = shapes.WithReason
    problems = (ClaimClash,)

    def handle(self, **given: Any) -> Visit:
        return corrections.strike_visit_state(**given)


class RecordArrival(_OnVisit):
    """The client is here."""

    access = {"POST": STAFF}
    problems = (p.NotTheDay,)

    def handle(self, **given: Any) -> Visit:
        return visit.record_arrival(**given)


class SeatClient(_OnVisit):
    """Bring the client to a ready room; what is laid out there is opened and counts as soiled from now on."""

    access = {"POST": FLOOR}
    input = shapes.SeatClient
    problems = (RoomNotReady, p.LinesOpen)

    def handle(self, **given: Any) -> Visit:
        return visit.seat_client(**given)


class RecordLeaving(_OnVisit):
    """The client leaves; the room needs turnover from now on."""

    access = {"POST": STAFF}
    problems = (p.LinesOpen,)

    def handle(self, **given: Any) -> Visit:
        return visit.record_leaving(**given)


class AddLine(_OnVisit):
    """One more line in a booked or running visit; time, room and kit are checked, the area is screened."""

    access = {"POST": STAFF}
    input = shapes.LineInput
    problems = PLANNING

    def handle(self, *, actor: Any, now: Any, visit_id: UUID, **line: Any) -> Visit:
        return replanning.add_line(
            actor=actor, now=now, visit_id=visit_id, request=line_request(line)
        )


class HoldConsultation(_OnVisit):
    """What was said and seen; decides every open line. Call it again whenever something is added.

    A question that was not answered makes a line `ask_first`. The program advises and records; the
    licensed practitioner, the board, the label and the client's doctor decide.
    """

    access = {"POST": FLOOR}
    input = shapes.HoldConsultation

    def handle(self, *, met: Any = (), **given: Any) -> Visit:
        return consultation.hold_consultation(met=[consultation.Met(**m) for m in met], **given)


_SCREENING = object_schema(
    line_id="uuid", area="str", method="str", verdict="str", earliest_on="date?", is_vague="bool",
    alternatives="[str]", ask_next="array", reasons="array", overridable_by="[str]", overridden="bool",
)  # fmt: skip


class ReadConsultation(ApiView):
    """The health answers of a visit and each line's verdict with every reason and source.

    Each reading is recorded. The front desk does not see it.
    """

    access = {"GET": FLOOR}
    tag = "visits"
    output = object_schema(notice="str", items="array", lines=array_of(_SCREENING))

    def get(self, request: Request, id: UUID) -> HttpResponse:
        def body() -> dict[str, Any]:
            found = tenancy.loaded(Visit, id, self.actor)
            items = clients.read_health(
                actor=self.actor, now=self.now, client_id=found.client_id, visit_id=found.id
            )
            return {
                "notice": shipped_rule_set().notice,
                "items": [
                    {
                        "id": i.id,
                        "kind": i.kind,
                        "content": i.content,
                        "recorded_at": i.recorded_at,
                        "recorded_by": i.recorded_by,
                    }
                    for i in items
                ],
                "lines": [self._line(found, line) for line in queries.lines_of(found.id)],
            }

        return answer(run(body, actor=self.actor, now=self.now))

    @staticmethod
    def _line(found: Visit, line: Any) -> dict[str, Any]:
        kept = consultation.kept_screening(found, line)
        return {
            "line_id": line.id,
            "area": line.area,
            "method": line.method,
            "verdict": line.verdict,
            "earliest_on": line.earliest_on,
            "is_vague": kept.get("is_vague", False),
            "alternatives": kept.get("alternatives", []),
            "ask_next": kept.get("ask_next", []),
            "reasons": kept.get("reasons", []),
            "overridable_by": kept.get("overridable_by", []),
            "overridden": line.overridden_by is not None,
        }


class ListQuestions(ApiView):
    """The questions of the consultation, what can be declared and found, and the caution that goes with them."""

    access = {"GET": READERS}
    tag = "consultation"
    output = object_schema(
        version="str", notice="str", questions="array", kinds="array", areas="[str]"
    )

    def get(self, request: Request) -> HttpResponse:
        rules = shipped_rule_set()
        return answer(
            {
                "version": rules.version,
                "notice": rules.notice,
                "questions": [
                    {"id": q.id, "text": q.text, "asked": q.asked.value, "kinds": sorted(q.kinds)}
                    for q in rules.questions
                ],
                "kinds": [
                    {
                        "kind": name,
                        "title": k.title,
                        "told": k.told,
                        "seen": k.seen,
                        "details": sorted(k.details),
                    }
                    for name, k in rules.kinds.items()
                ],
                "areas": sorted(rules.tree.touching),
            }
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
    """Begin or go on: screened today, room and kit ready, licence and skill valid, hygiene confirmed."""

    access = {"POST": FLOOR}
    input = shapes.StartLine
    problems = (
        p.Bleeding,
        p.NotScreened,
        p.ScreeningForbids,
        p.NotCovered,
        RoomNotReady,
        p.KitNotCleared,
        p.NotHygienic,
    )

    def handle(self, *, actor: Any, now: Any, line_id: UUID, **confirmed: bool) -> Visit:
        return lines.start_line(actor=actor, now=now, line_id=line_id, confirmed=confirmed)


class PauseLine(_OnLine):
    """Interrupt a running line."""

    access = {"POST": FLOOR}
    input = shapes.WithReason

    def handle(self, **given: Any) -> Visit:
        return lines.pause_line(**given)


class StopLine(_OnLine):
    """End a line early: why, what was done, and the price agreed."""

    access = {"POST": FLOOR}
    input = shapes.StopLine

    def handle(self, **given: Any) -> Visit:
        return lines.stop_line(**given)


class RecordBlood(_OnLine):
    __doc__ = f"Blood seen, in one command. {BLOOD_CAUTION}"

    access = {"POST": FLOOR}
    input = shapes.RecordBlood

    def handle(self, *, actor: Any, now: Any, line_id: UUID, **confirmed: bool) -> Visit:
        return lines.record_blood(actor=actor, now=now, line_id=line_id, confirmed=confirmed)


class RecordBleedingStopped(_OnLine):
    """The bleeding has stopped and is covered."""

    access = {"POST": FLOOR}

    def handle(self, **given: Any) -> Visit:
        return lines.record_bleeding_stopped(**given)


class FinishLine(_OnLine):
    """Gloves off, then hands washed, and the record of what was done."""

    access = {"POST": FLOOR}
    input = shapes.FinishLine
    problems = (p.NotHygienic,)

    def handle(
        self, *, actor: Any, now: Any, line_id: UUID, record: Any, **confirmed: bool
    ) -> Visit:
        return lines.finish_line(
            actor=actor, now=now, line_id=line_id, record=dict(record), confirmed=confirmed
        )


class StrikeLineState(_OnLine):
    """Started, finished or stopped was a mistake, while the client is in the room. Both stay on record."""

    access = {"POST": FLOOR}
    input = shapes.WithReason

    def handle(self, **given: Any) -> Visit:
        return corrections.strike_line_state(**given)


class AddWorkRecord(_OnLine):
    """A further record of a line: a correction, or what was left out. The former stays."""

    access = {"POST": FLOOR}
    input = shapes.WorkRecordInput

    def handle(self, *, actor: Any, now: Any, line_id: UUID, **record: Any) -> Visit:
        return lines.add_work_record(actor=actor, now=now, line_id=line_id, record=record)


class DropLine(_OnLine):
    """Take a planned line out."""

    access = {"POST": STAFF}
    input = shapes.WithReason

    def handle(self, **given: Any) -> Visit:
        return replanning.drop_line(**given)


class SwapLine(_OnLine):
    """Another service in place of a planned line; the new area is screened, time and kit are checked."""

    access = {"POST": STAFF}
    input = shapes.SwapLine
    problems = PLANNING

    def handle(self, *, line: Any, **given: Any) -> Visit:
        return replanning.swap_line(request=line_request(dict(line)), **given)
