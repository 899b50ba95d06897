"""Endpoints of days worked otherwise than every week, and of absences."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import absences as actions
from services.api.team import wall_spans
from services.bodies.absences import ABSENCE, SHIFT_DAY
from services.models import AbsenceKind, Duty
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import WrongState
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.sealing import Erased
from spa_ops.web.views import LEADS, STAFF, Command, Strict


class SetShiftDayShape(Strict):
    person_id = s.UUIDField()
    on = s.DateField(help_text="a local day")
    duty = s.ChoiceField(Duty.values, required=False)
    spans = wall_spans('[["10:00", "14:00"], ...]; none: not at work on that day')


class PlanAbsenceShape(Strict):
    id = s.UUIDField(required=False)
    person_id = s.UUIDField(required=False, allow_null=True, help_text="who is off, or")
    room_id = s.UUIDField(required=False, allow_null=True, help_text="which room is closed, or")
    kit_id = s.UUIDField(required=False, allow_null=True, help_text="which kit is away")
    kind = s.ChoiceField(AbsenceKind.values, help_text="nothing about anybody's health")
    starts_at = s.DateTimeField()
    ends_at = s.DateTimeField()


class ListShiftDays(LocationListView):
    """The days from a day on that somebody works otherwise than every week."""

    access = {"GET": STAFF}
    entity = SHIFT_DAY
    order = 'e."on"'
    order_type = "date"
    parameters = {"since": ("date", "the first day; default: the local today")}

    def narrower(self, place: Location) -> Conditions:
        day = self.query("since") or local_date(self.now, place.zone)
        return [("e.withdrawn_at IS NULL", []), ('e."on" >= %s', [day])]


class SetShiftDay(Command):
    """Let other times, or none, hold on one day instead of a person's weekly shifts of that duty there."""

    access = {"POST": LEADS}
    input = SetShiftDayShape
    entity = SHIFT_DAY
    status = 201
    tag = "team"
    problems = (WrongState,)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.set_shift_day(location_id=id, **given)


class WithdrawShiftDay(Command):
    """Let the weekly shifts hold on that day again."""

    access = {"POST": LEADS}
    entity = SHIFT_DAY
    tag = "team"
    problems = (WrongState,)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.withdraw_shift_day(shift_day_id=id, **given)


class ListAbsences(LocationListView):
    """Who is off, which room is closed and which kit is away, now or later."""

    access = {"GET": STAFF}
    entity = ABSENCE
    order = "e.starts_at"
    order_type = "timestamptz"

    def narrower(self, place: Location) -> Conditions:
        return [("e.ended_at IS NULL AND e.ends_at > %s", [self.now])]


class PlanAbsence(Command):
    """Let a person be off, a room be closed or a kit be away for a time: nothing is planned then.

    What is booked then stays and is named as a clash: move or cancel it first.
    """

    access = {"POST": LEADS}
    input = PlanAbsenceShape
    entity = ABSENCE
    status = 201
    tag = "team"
    problems = (ClaimClash, Erased, WrongState)

    def handle(self, *, location: UUID, **given: Any) -> Any:
        return actions.plan_absence(location_id=location, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # It may bring its own id: the address names the location.
        return self._command(request, location=path["id"])


class EndAbsence(Command):
    """Give back what is left of the time."""

    access = {"POST": LEADS}
    entity = ABSENCE
    tag = "team"
    problems = (WrongState,)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.end_absence(absence_id=id, **given)
