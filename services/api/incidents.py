"""Endpoints of incidents: reported, written on, closed, struck out; listed for those who follow up."""

from dataclasses import replace
from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import incidents as actions
from services.actions.incident_reports import report_incident
from services.api.photographs import PHOTOGRAPH
from services.bodies.incidents import FOLLOW_UP, INCIDENT
from services.models import Incident
from services.problems import IncidentNotDone
from services.queries import incidents as queries
from services.queries import photographs
from services.rules.incident_record import (
    FIELDS,
    EntryKind,
    Evaluation,
    Serious,
    due_call_backs,
    is_done,
    open_steps,
    tell_company,
)
from services.rules.incidents import IncidentKind
from spa_ops.kernel.actor import Actor, Role
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import AlreadyCorrected, Busy
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import run
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, READERS, STAFF, ApiView, Command, Strict, answer

_AT_THE_DESK = {Role.FRONT_DESK, Role.DEVICE}


def _id(text: str = "") -> s.UUIDField:
    return s.UUIDField(required=False, allow_null=True, help_text=text)


class ReportIncidentShape(Strict):
    id = s.UUIDField(required=False)
    kind = s.ChoiceField([k.value for k in IncidentKind])
    what_happened = s.CharField(max_length=2000)
    occurred_at = s.DateTimeField(required=False, help_text="default: now")
    client_id = _id("who was hurt: a client")
    person_id = _id("or a team member; exactly one of the two")
    visit_id = _id()
    line_id = _id()
    room_id = _id()
    area = s.CharField(max_length=40, required=False, help_text="a word of the screening rules")
    millimetres = s.IntegerField(
        min_value=1, max_value=2500, required=False, help_text="how long what is hurt is"
    )
    allergic = s.BooleanField(
        required=False, help_text="with a reaction; unless it is false, it counts as allergic"
    )
    product = s.CharField(
        max_length=500, required=False, help_text="name, company and lot, off the label"
    )
    serious = s.ListField(
        child=s.ChoiceField([w.value for w in Serious]), max_length=5, required=False
    )


class AddEntryShape(Strict):
    """One shape for every kind; a field that does not go with the kind is refused.

    words and advice: text. step: code, and minutes where it takes some. witness: name, contact.
    call_back: hours, reached, text. evaluation_offer: outcome. company_told: company.
    """

    id = s.UUIDField(required=False)
    kind = s.ChoiceField([k.value for k in FIELDS])
    occurred_at = s.DateTimeField(required=False, help_text="when it was done; default: now")
    text = s.CharField(max_length=2000, required=False)
    code = s.CharField(max_length=40, required=False, help_text="a step of this incident")
    minutes = s.IntegerField(min_value=0, max_value=1440, required=False)
    name = s.CharField(max_length=200, required=False)
    contact = s.CharField(max_length=200, required=False)
    hours = s.IntegerField(min_value=1, max_value=1000, required=False)
    reached = s.BooleanField(required=False)
    outcome = s.ChoiceField([e.value for e in Evaluation], required=False)
    company = s.CharField(max_length=200, required=False)
    serious = s.ListField(
        child=s.ChoiceField([w.value for w in Serious]), max_length=5, required=False
    )


class CloseIncidentShape(Strict):
    text = s.CharField(max_length=2000, required=False)


class StrikeIncidentShape(Strict):
    entry_id = s.UUIDField(required=False, help_text="the entry; none: the incident itself")
    reason = s.CharField(max_length=500)


_SOURCES = array_of(object_schema(ref="str", fact="str", strength="str", says="str"))
_STEP = object_schema(
    code="str", text="str", required="bool", minutes="int?", done="bool", sources=_SOURCES
)
_CALL_BACK = object_schema(
    hours="int", due_at="datetime", overdue_at="datetime", settled_at="datetime?"
)
_ENTRY = object_schema(
    id="uuid", kind="str", content="object", occurred_at="datetime", recorded_at="datetime",
    recorded_by="uuid?", struck="str?",
)  # fmt: skip
_TOLD = {
    "emergency": "str", "steps": array_of(_STEP), "never": "[str]", "notice": "str", "id": "uuid",
    "state": "str", "call_backs": array_of(_CALL_BACK), "tell_company": "bool",
    "declaration_recorded": "bool", "guide_version": "str", "guide_digest": "str",
}  # fmt: skip


def _told(kept: queries.Kept, actor: Actor) -> dict[str, Any]:
    """What to do, the emergency line first; and what is still to come."""
    incident, content, record = kept.incident, kept.content, kept.record
    # What others wrote may make it serious: the desk is told by its own words.
    own = _seen_by(actor, kept).record
    done = {step.code: is_done(step, record.entries) for step in record.steps}
    return {
        "emergency": content["emergency"],
        "steps": [step | {"done": done[step["code"]]} for step in content["steps"]],
        "never": content["never"],
        "notice": content["notice"],
        "id": incident.id,
        "state": incident.state,
        "call_backs": [
            {
                "hours": row.hours,
                "due_at": rfc3339(row.due_at),
                "overdue_at": rfc3339(row.overdue_at),
                "settled_at": row.settled_at and rfc3339(row.settled_at),
            }
            for row in kept.call_backs
        ],
        "tell_company": tell_company(own),
        "declaration_recorded": content["declared_id"] is not None,
        "guide_version": incident.guide_version,
        "guide_digest": incident.guide_digest,
    }


def _seen_by(actor: Actor, kept: queries.Kept) -> queries.Kept:
    """The desk reads back its own words: that an entry was struck out, not why; none of others'."""
    if actor.role not in _AT_THE_DESK:
        return kept
    own = tuple(
        e if e.struck is None else replace(e, struck="")
        for e in kept.entries
        if e.recorded_by == actor.person_id
    )
    return replace(kept, entries=own, struck=None if kept.struck is None else "")


class ReportIncident(Command):
    """Somebody was hurt or reacted. Answers what to do: the emergency line first, then the steps.

    Anybody on the team who was there or is told of it, the front desk too.

    First aid until someone trained takes over; the local board, the product's label and the
    emergency service's own advice come first. `declaration_recorded` is false where the client
    agreed to no keeping of health answers: ask about the reaction again at the next visit.
    `tell_company` says that the company named on the label should be told.
    """

    access = {"POST": STAFF}
    input = ReportIncidentShape
    entity = INCIDENT
    status = 201
    tag = "incidents"
    problems = (Erased, Busy)
    output = object_schema(**_TOLD)

    def handle(self, *, place_id: UUID, kind: str, **given: Any) -> Any:
        return report_incident(location_id=place_id, kind=IncidentKind(kind), **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The report may bring its own id: the address names the location.
        return self._command(request, place_id=path["id"])

    def render(self, entity_id: UUID | None) -> bytes:
        assert entity_id is not None  # noqa: S101
        incident = tenancy.loaded(Incident, entity_id, self.actor)
        return orjson.dumps(_told(queries.kept(incident), self.actor), default=str)


class _OnIncident(Command):
    """A command on one incident; answers it as the feed shows it, without what happened."""

    access = {"POST": FLOOR}
    entity = INCIDENT
    tag = "incidents"
    problems = (Erased, Busy)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, incident_id=path["id"])


class AddIncidentEntry(_OnIncident):
    """Something said or done: words, advice, a step, a witness, a call-back, the offer of a medical
    evaluation, or that the company on the label was told. Also after closing.

    A step that takes so many minutes is done once it took as long. A call-back counts from the
    beginning of the day on which it is due, and if somebody was reached. The front desk writes on
    what it reported itself.
    """

    access = {"POST": STAFF}
    input = AddEntryShape
    status = 201

    def handle(self, *, kind: str, **given: Any) -> Any:
        return actions.add_entry(kind=EntryKind(kind), **given)


class CloseIncident(_OnIncident):
    """Nothing is left to do. Refused while a required step or a due call-back is open.

    Call-backs that are not due yet stay owed and come up when they are.
    """

    input = CloseIncidentShape
    problems = (Erased, Busy, IncidentNotDone)

    def handle(self, **given: Any) -> Any:
        return actions.close_incident(**given)


class StrikeIncident(_OnIncident):
    """An entry, or the incident itself, was recorded wrongly: struck out with a reason, both stay.

    Where the incident stands is derived anew; one that was closed may be open again.
    """

    input = StrikeIncidentShape
    problems = (Erased, Busy, AlreadyCorrected)

    def handle(self, **given: Any) -> Any:
        return actions.strike_incident(**given)


class ReadIncident(ApiView):
    """An incident with all that was said and done, also what was struck out. Your reading is recorded.

    `open_steps` and `due_call_backs` (hours) are what closing waits for.
    The front desk reads only what it reported itself, and of the entries its own.
    """

    access = {"GET": STAFF}
    tag = "incidents"
    problems = (Erased, Busy)
    output = object_schema(
        **_TOLD, location_id="uuid", client_id="uuid?", person_id="uuid?", visit_id="uuid?",
        line_id="uuid?", room_id="uuid?", version="int", occurred_at="datetime",
        recorded_at="datetime", recorded_by="uuid?", closed_at="datetime?", struck="str?",
        kind="str", area="str?", millimetres="int?", what_happened="str", product="str",
        serious="[str]", allergic={"type": ["boolean", "null"]}, open_steps="[str]",
        due_call_backs="[int]", entries=array_of(_ENTRY), photographs=array_of(PHOTOGRAPH),
    )  # fmt: skip

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        def body() -> dict[str, Any]:
            kept = actions.read_incident(actor=self.actor, now=self.now, incident_id=id)
            due = due_call_backs(kept.record, self.now)
            # Pictures of a client's skin are for those who work on it.
            at_desk = self.actor.role in _AT_THE_DESK
            return (
                _told(kept, self.actor)
                | _whole(_seen_by(self.actor, kept))
                | {
                    "open_steps": open_steps(kept.record),
                    "due_call_backs": [call.hours for call in due],
                    "photographs": [] if at_desk else photographs.of_incident(id),
                }
            )

        return answer(run(body, actor=self.actor, now=self.now))


def _whole(kept: queries.Kept) -> dict[str, Any]:
    incident, content = kept.incident, kept.content
    ids = ("location_id", "client_id", "person_id", "visit_id", "line_id", "room_id", "recorded_by")
    words = ("kind", "area", "millimetres", "allergic", "what_happened", "product", "serious")
    return {
        **{name: getattr(incident, name) for name in ids},
        **{name: content[name] for name in words},
        "version": incident.version,
        "occurred_at": rfc3339(incident.occurred_at),
        "recorded_at": rfc3339(incident.recorded_at),
        "closed_at": incident.closed_at and rfc3339(incident.closed_at),
        "struck": kept.struck,
        "entries": [
            {
                "id": e.id,
                "kind": e.kind.value,
                "content": e.content,
                "occurred_at": rfc3339(e.occurred_at),
                "recorded_at": rfc3339(e.recorded_at),
                "recorded_by": e.recorded_by,
                "struck": e.struck,
            }
            for e in kept.entries
        ],
    }


class ListIncidents(LocationListView):
    """The incidents of a location, open ones first, then by when they happened; never what happened.

    The front desk sees only those that are open or have a call-back to come, since when, and when
    to call back.
    """

    access = {"GET": READERS}
    tag = "incidents"
    entity = INCIDENT
    # One text to sort by; collation C, so that it sorts alike on every server.
    order = (
        "((CASE e.state WHEN 'open' THEN '0' ELSE '1' END) || "
        "to_char(e.occurred_at AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US')) COLLATE \"C\""
    )
    order_type = "text"

    def narrower(self, place: Location) -> Conditions:
        return [(_TO_FOLLOW_UP, [])] if self.actor.role in _AT_THE_DESK else []


_TO_FOLLOW_UP = """(e.state = 'open' OR EXISTS (SELECT FROM services_incident_call_back c
WHERE c.business_id = e.business_id AND c.incident_id = e.id AND c.settled_at IS NULL))"""


class ListFollowUps(LocationListView):
    """The call-backs of a location that are due and not done, the longest due first (house policy:
    24 and 72 hours after it happened). Overdue from `overdue_at` on: the end of the day they were due.
    """

    access = {"GET": READERS}
    tag = "incidents"
    entity = FOLLOW_UP
    order = "e.due_at"
    order_type = "timestamptz"
    parameters = {
        "overdue": ("bool", "true: only those overdue; false: only those that are not yet")
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = [("e.settled_at IS NULL", []), ("e.due_at <= %s", [self.now])]
        overdue = self.query("overdue")
        if overdue is not None:
            found.append(("(e.overdue_at <= %s) = %s", [self.now, overdue]))
        return found
