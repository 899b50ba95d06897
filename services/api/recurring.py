"""Endpoints of visits that recur: first a preview, then the booking of what was chosen from it."""

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT, MergedAway
from clients.queries_people import ids_of
from services.actions import recurring as actions
from services.actions.recurring_preview import Foreseen, foreseen_series
from services.api.visit_shapes import LineInput
from services.api.visits import PLANNING, line_request
from services.bodies.recurring import SERIES
from services.models import Series
from services.problems import ConditionNotMet, DoNotBook, OtherPractitionerChosen
from services.rules.availability.model import Option
from services.rules.desk_words import outcome_for
from services.rules.recurrence import MOST_DAYS, MOST_OCCURRENCES
from spa_ops.kernel.actor import Role
from spa_ops.kernel.clock import rfc3339
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, STAFF, Command, RowView, Strict, answer

_LINE = {
    "service_id": "uuid",
    "practitioner_id": "uuid",
    "room_id": "uuid",
    "kit_id": "uuid?",
}
_LINES = array_of(object_schema(**_LINE, starts_at="datetime?"))


class PreviewSeries(Strict):
    client_id = s.UUIDField()
    lines = LineInput(
        many=True, help_text="the first one's `starts_at` is what the rule counts from"
    )
    rule = s.CharField(
        max_length=300,
        help_text="RFC 5545: FREQ of DAILY, WEEKLY or MONTHLY, INTERVAL, BYDAY, BYMONTHDAY, BYSETPOS,"
        f" and COUNT or UNTIL; up to {MOST_OCCURRENCES} visits in {MOST_DAYS} days",
    )


class OccurrenceInput(Strict):
    occurs_at = s.DateTimeField(help_text="the occurrence, as the preview names it")
    lines = LineInput(many=True, help_text="those of the occurrence or of one of its alternatives")


class BookSeriesInput(PreviewSeries):
    visits = OccurrenceInput(many=True, help_text="what is left out is not booked")
    note = s.CharField(max_length=2000, required=False, allow_blank=True)


class EndSeriesInput(Strict):
    reason = s.CharField(max_length=500, required=False, allow_blank=True)

    def get_fields(self) -> dict[str, Any]:
        # A keyword of the language cannot be written as an attribute.
        since = s.DateTimeField(help_text="visits starting then or later are cancelled")
        return {**super().get_fields(), "from": since}


class PreviewRecurringVisits(Command):
    """Each occurrence of a rule as booking would find it: bookable as it is, or `why` not. Books nothing.

    The rule repeats the local wall time. `why` is a problem's name, such as `claim-clash` or
    `outside-opening-hours`. Where it cannot be booked, or what is known today of the client forbids
    the day (`screening_allows`), there are up to 3 `alternatives`: the nearest of that day, then of
    the days around it. What the visits before it do counts for it, such as waxing the same area too
    soon again. A monthly rule gives nothing in a month that has no such day: `skipped_months` names
    them, such as 2027-02. `wall_time` is `twice` or `skipped` where the clocks change over it.
    """

    access = {"POST": STAFF}
    input = PreviewSeries
    problems = (
        Erased, MergedAway, OtherPractitionerChosen, DoNotBook, ConditionNotMet, *POLICY_UNFIT,
    )  # fmt: skip
    tag = "visits"
    output = object_schema(
        occurrences=array_of(
            object_schema(
                occurs_at="datetime",
                on="date",
                wall_time="str",
                bookable="bool",
                why="str?",
                detail="str?",
                lines=_LINES,
                screening_allows="bool",
                screening=array_of(
                    object_schema(service_id="uuid", verdict="str", earliest_on="date?")
                ),
                alternatives=array_of(
                    object_schema(starts_at="datetime", ends_at="datetime", lines=_LINES)
                ),
            )
        ),
        skipped_months=array_of({"type": "string"}),
    )

    def post(self, request: Request, **path: Any) -> HttpResponse:
        given = self.parsed(request)
        given["lines"] = [line_request(x) for x in given["lines"]]
        with reading(self.actor.business_id):
            found, skipped = foreseen_series(
                actor=self.actor, now=self.now, location_id=path["id"], **given
            )
        return answer(
            {
                "occurrences": [_occurrence(one, self.actor.role) for one in found],
                "skipped_months": [f"{month:%Y-%m}" for month in skipped],
            }
        )


def _occurrence(one: Foreseen, role: Role | None) -> dict[str, Any]:
    problem = one.problem
    return {
        "occurs_at": rfc3339(one.occurrence.starts_at),
        "on": one.occurrence.on,
        "wall_time": one.occurrence.wall_time,
        "bookable": problem is None,
        "why": problem.slug if problem else None,
        "detail": problem.detail if problem else None,
        "lines": [_line(line, line.starts_at) for line in one.lines],
        "screening_allows": one.screening_allows,
        "screening": [
            {
                "service_id": line.service_id,
                "verdict": outcome_for(role, verdict, earliest_on),
                "earliest_on": earliest_on,
            }
            for line, (verdict, earliest_on) in zip(one.lines, one.verdicts, strict=True)
        ],
        "alternatives": [_alternative(option) for option in one.alternatives],
    }


def _alternative(option: Option) -> dict[str, Any]:
    return {
        "starts_at": rfc3339(option.starts_at),
        "ends_at": rfc3339(option.ends_at),
        "lines": [_line(line, line.spans.starts_at) for line in option.lines],
    }


def _line(line: Any, at: Any) -> dict[str, Any]:
    return {name: getattr(line, name) for name in _LINE} | {"starts_at": at and rfc3339(at)}


class BookRecurringVisits(Command):
    """Book a visit for each occurrence that is named, all or none.

    `lines` and `rule` as previewed; each of `visits` is an occurrence with its own lines or those of
    an alternative. A refusal says for which (`occurs_at`). The visits are then like any other.
    """

    access = {"POST": STAFF}
    input = BookSeriesInput
    entity = SERIES
    status = 201
    tag = "visits"
    problems = PLANNING

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])

    def handle(self, *, lines: list[Any], visits: list[Any], **given: Any) -> Series:
        chosen = [
            actions.OccurrenceRequest(
                occurs_at=visit["occurs_at"], lines=[line_request(x) for x in visit["lines"]]
            )
            for visit in visits
        ]
        return actions.book_series(lines=[line_request(x) for x in lines], visits=chosen, **given)


class ListRecurringVisits(LocationListView):
    """Series of recurring visits at a location, in the order in which they were booked."""

    access = {"GET": READERS}
    entity = SERIES
    order = "e.created_at"
    order_type = "timestamptz"
    parameters = {"client": ("uuid", "of one client")}

    def narrower(self, place: Location) -> Conditions:
        client = self.query("client")
        return [("e.client_id = ANY(%s)", [ids_of(client)])] if client else []


class ReadRecurringVisits(RowView):
    """One series with its visits."""

    access = {"GET": READERS}
    entity = SERIES


class EndRecurringVisits(Command):
    """This one and those that follow are cancelled: booked visits of the series from `from` on."""

    access = {"POST": STAFF}
    input = EndSeriesInput
    entity = SERIES
    tag = "visits"
    problems = (NotFound,)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, series_id=path["id"])

    def handle(self, **given: Any) -> Series:
        return actions.end_series(since=given.pop("from"), **given)
