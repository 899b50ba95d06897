"""Endpoints of skills and weekly shifts."""

from datetime import time, timedelta
from typing import Any
from uuid import UUID

from rest_framework import serializers as s
from rest_framework.request import Request

from services.actions import team as actions
from services.bodies.price_list import SHIFT, SKILL
from services.models import Duty
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location, Person
from spa_ops.web.views import LEADS, READERS, Command, Edit, ListView, RowView, Strict


class GrantSkillShape(Strict):
    id = s.UUIDField(required=False)
    service_id = s.UUIDField()
    hands_on_minutes = s.IntegerField(
        min_value=1, max_value=480, required=False, allow_null=True,
        help_text="this person's own; none: as the price list has it",
    )  # fmt: skip


def _wall_time(*, required: bool) -> s.RegexField:
    return s.RegexField(
        r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
        max_length=5,
        required=required,
        help_text="HH:MM on the location's wall clock; an end at or before the start is next day's",
    )


def wall_spans(help_text: str) -> s.ListField:
    """A list of [starts, ends] pairs of wall times."""
    pair = s.ListField(child=_wall_time(required=True), min_length=2, max_length=2)
    return s.ListField(child=pair, max_length=8, required=False, help_text=help_text)


class ChangeShiftShape(Strict):
    duty = s.ChoiceField(Duty.values, required=False)
    weekday = s.IntegerField(min_value=0, max_value=6, required=False, help_text="0 is Monday")
    starts = _wall_time(required=False)
    ends = _wall_time(required=False)
    valid_from = s.DateField(required=False, help_text="the first day; default: the local today")
    valid_until = s.DateField(
        required=False, allow_null=True, help_text="the first day on which it no longer runs"
    )
    breaks = wall_spans('[["12:00", "12:30"], ...] within it: nothing is planned then')


class AddShiftShape(ChangeShiftShape):
    id = s.UUIDField(required=False)
    person_id = s.UUIDField()
    weekday = s.IntegerField(min_value=0, max_value=6, help_text="0 is Monday")
    starts = _wall_time(required=True)
    ends = _wall_time(required=True)


class EndShiftShape(Strict):
    valid_until = s.DateField(help_text="the first day on which it no longer runs")


class ListSkills(ListView):
    """Which services a team member may perform, and which no more."""

    access = {"GET": READERS}
    entity = SKILL

    def filters(self, *, id: UUID) -> list[tuple[str, list[Any]]]:
        tenancy.loaded(Person, id, self.actor)
        return [("e.person_id = %s", [id])]


class GrantSkill(Command):
    """A team member may perform a service from now on. Only practitioners and leads perform."""

    access = {"POST": LEADS}
    input = GrantSkillShape
    entity = SKILL
    status = 201

    def handle(self, *, person: UUID, **given: Any) -> Any:
        return actions.grant_skill(person_id=person, **given)

    def post(self, request: Request, **path: Any) -> Any:
        # The skill may bring its own id: the address names the person.
        return self._command(request, person=path["id"])


class EndSkill(Command):
    """A team member performs a service no more."""

    access = {"POST": LEADS}
    entity = SKILL

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.end_skill(skill_id=id, **given)


class ListShifts(LocationListView):
    """The weekly shifts of a location that run in one week, Monday first."""

    access = {"GET": READERS}
    entity = SHIFT
    order = "e.weekday || to_char(e.starts, 'HH24:MI')"
    order_type = "text"
    parameters = {"week": ("date", "any day of the week; default: the present one")}

    def narrower(self, place: Location) -> Conditions:
        day = self.query("week") or local_date(self.now, place.zone)
        monday = day - timedelta(days=day.weekday())
        return [
            ("e.valid_from <= %s::date + e.weekday", [monday]),
            ("(e.valid_until IS NULL OR e.valid_until > %s::date + e.weekday)", [monday]),
        ]


class AddShift(Command):
    """Add a weekly shift at a location. A person's shifts never overlap, wherever they are."""

    access = {"POST": LEADS}
    input = AddShiftShape
    entity = SHIFT
    status = 201

    def handle(self, *, location: UUID, **given: Any) -> Any:
        return actions.add_shift(location_id=location, **_timed(given))

    def post(self, request: Request, **path: Any) -> Any:
        # The shift may bring its own id: the address names the location.
        return self._command(request, location=path["id"])


class ReadShift(RowView):
    """One weekly shift."""

    access = {"GET": READERS}
    entity = SHIFT


class ChangeShift(Edit):
    """Change a weekly shift. What is booked stays booked: look at the days it concerns."""

    access = {"PATCH": LEADS}
    input = ChangeShiftShape
    entity = SHIFT

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.change_shift(shift_id=id, **_timed(given))


class EndShift(Command):
    """Let a weekly shift run no more from a day on."""

    access = {"POST": LEADS}
    input = EndShiftShape
    entity = SHIFT
    needs_match = True

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.end_shift(shift_id=id, **given)


def _timed(given: dict[str, Any]) -> dict[str, Any]:
    walls = {name: time.fromisoformat(given[name]) for name in ("starts", "ends") if name in given}
    return given | walls
