"""The endpoint that offers starts. It reads; nothing is held by it."""

from dataclasses import asdict
from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT, MergedAway
from services.problems import ConditionNotMet, DoNotBook, OtherPractitionerChosen
from services.queries.availability import MOST_LINES, Availability, LineAsked, availability
from services.rules.availability.model import Change, Option, Why
from services.rules.desk_words import outcome_for
from spa_ops.kernel.actor import Role
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import STAFF, Command, Strict, answer

_LINE = {
    "service_id": "uuid",
    "practitioner_id": "uuid",
    "room_id": "uuid",
    "kit_id": "uuid?",
    "starts_at": "datetime",
}
_PHASES = {
    "set_up_by": "uuid",
    "turnover_by": "uuid",
    "set_up_at": "datetime",
    "hands_on_at": "datetime",
    "aftercare_at": "datetime",
    "ends_at": "datetime",
    "turnover_ends_at": "datetime",
    "unattended_at": "datetime?",
}


def one_of(words: type[StrEnum]) -> dict[str, Any]:
    """JSON Schema of one word of several."""
    return {"type": "string", "enum": [word.value for word in words]}


OPTION_SCHEMA = object_schema(
    starts_at="datetime",
    ends_at="datetime",
    waste_minutes="int",
    with_usual_practitioner="bool",
    visit=object_schema(client_id="uuid", lines=array_of(object_schema(**_LINE))),
    lines=array_of(object_schema(**_LINE, **_PHASES)),
)


class AskedLine(Strict):
    service_id = s.UUIDField()
    practitioner_id = s.UUIDField(required=False, allow_null=True, help_text="none: anybody")
    room_id = s.UUIDField(required=False, allow_null=True, help_text="none: any room")


class AskAvailability(Strict):
    client_id = s.UUIDField()
    lines = AskedLine(many=True, help_text=f"1 to {MOST_LINES}")
    to = s.DateTimeField(
        required=False, allow_null=True, help_text="starting before; none: 30 days on"
    )
    limit = s.IntegerField(min_value=1, max_value=200, required=False)
    any_order = s.BooleanField(required=False, help_text="whether the lines may change places")

    def get_fields(self) -> dict[str, Any]:
        # A keyword of the language cannot be written as an attribute.
        starting = s.DateTimeField(help_text="starting at or after")
        return {**super().get_fields(), "from": starting}


class FindAvailability(Command):
    """Starts that work for these lines: who, where, with which kit, and when each part is. Holds nothing.

    `visit` of an option is what `POST visits` takes. With no option, `reasons` says of each local day
    why, and `what_if` which single change would open a start, the earliest first: one more room, kit
    or person; one of them, or the client, freed of what is booked; anybody or any room instead of who
    or what was asked for; the lines in another order, or without one of them (`subject_id` is its
    service); or a later day. `screening` tells what is
    known today: the consultation of the day decides. The front desk hears a date where there is one,
    and else `ask_first`.
    """

    access = {"POST": STAFF}
    input = AskAvailability
    problems = (
        Erased,
        MergedAway,
        OtherPractitionerChosen,
        DoNotBook,
        ConditionNotMet,
        *POLICY_UNFIT,
    )
    tag = "visits"
    output = object_schema(
        options=array_of(OPTION_SCHEMA),
        reasons=array_of(object_schema(on="date", why=one_of(Why), until="datetime?")),
        what_if=array_of(
            object_schema(
                change=one_of(Change), opens_at="datetime", subject_id="uuid?", kit_kind="str"
            )
        ),
        screening=array_of(
            object_schema(service_id="uuid", verdict="str", earliest_on="date?", not_before="datetime?")
        ),
    )  # fmt: skip

    def post(self, request: Request, **path: Any) -> HttpResponse:
        given = self.parsed(request)
        with reading(self.actor.business_id):
            found = availability(
                actor=self.actor,
                now=self.now,
                location_id=path["id"],
                client_id=given["client_id"],
                lines=[LineAsked(**line) for line in given["lines"]],
                since=given["from"],
                until=given.get("to"),
                limit=given.get("limit", 20),
                any_order=given.get("any_order", False),
            )
        since = max(given["from"], self.now)
        return answer(_shown(found, given["client_id"], since, self.actor.role))


def _shown(
    found: Availability, client_id: UUID, since: datetime, role: Role | None
) -> dict[str, Any]:
    bounds = found.bounds
    verdicts = bounds.verdicts(local_date(since, bounds.zone))
    return {
        "options": [shown_option(option, client_id) for option in found.options],
        "reasons": [
            {"on": day, "why": reason.why, "until": _text(reason.until)}
            for day, reason in found.reasons
        ],
        "what_if": [
            {
                "change": what.change,
                "opens_at": rfc3339(what.opens_at),
                "subject_id": what.subject_id,
                "kit_kind": what.kit_kind,
            }
            for what in found.what_ifs
        ],
        "screening": [
            {
                "service_id": service.id,
                "verdict": outcome_for(role, verdict, earliest_on),
                "earliest_on": earliest_on,
                "not_before": _text(standing.readable_at),
            }
            for service, standing, (verdict, earliest_on) in zip(
                bounds.services, bounds.standings, verdicts, strict=True
            )
        ],
    }


def shown_option(option: Option, client_id: UUID) -> dict[str, Any]:
    """An option as JSON; its `visit` is what `POST visits` takes."""
    lines = []
    for line in option.lines:
        shown = {name: getattr(line, name) for name in (*_LINE, *_PHASES) if hasattr(line, name)}
        times = {name: _text(at) for name, at in asdict(line.spans).items()}
        lines.append({**shown, **times})
    return {
        "starts_at": rfc3339(option.starts_at),
        "ends_at": rfc3339(option.ends_at),
        "waste_minutes": option.waste_minutes,
        "with_usual_practitioner": option.is_usual,
        "visit": {
            "client_id": client_id,
            "lines": [{name: line[name] for name in _LINE} for line in lines],
        },
        "lines": lines,
    }


def _text(at: datetime | None) -> str | None:
    return None if at is None else rfc3339(at)
