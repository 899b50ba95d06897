"""Endpoints of visits. One view per verb; each calls one action."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from clients.problems import POLICY_UNFIT, MergedAway
from clients.queries_people import ids_of
from rooms.problems import RoomNotReady
from services import problems as p
from services.actions import booking, changing, corrections, linking, presence, replanning, visit
from services.api import visit_shapes as shapes
from services.api.offering import (
    Offering,
    of_added_line,
    of_new_visit,
    of_visit,
    of_visit_with,
)
from services.bodies.visits import VISIT
from services.models import Visit
from services.queries import visits as queries
from services.queries.alternatives import Clashed
from services.queries.foresight import in_question
from spa_ops.claims.problems import ClaimClash
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.problems import LicenceLapsed
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import (
    FLOOR,
    READERS,
    STAFF,
    ApiView,
    Command,
    RowView,
    answer,
)

PLANNING = (
    ClaimClash,
    MergedAway,
    p.InThePast,
    p.TooSoon,
    p.TooFarAhead,
    p.OutsideOpeningHours,
    p.OffShift,
    p.OtherPractitionerChosen,
    p.DoNotBook,
    p.ConditionNotMet,
    p.SkillMissing,
    LicenceLapsed,
    p.RoomLacksFeature,
    p.KitMissing,
    Erased,
)
OF_A_HOLD = (p.HoldOver, p.HeldByAnother)


def line_request(given: dict[str, Any]) -> booking.LineRequest:
    """One line as sent in, for the actions."""
    return booking.LineRequest(**given)


class ListVisits(LocationListView):
    """Visits of a location in order of time, from `from` up to `to`; or of one client."""

    access = {"GET": READERS}
    entity = VISIT
    order = "e.starts_at"
    order_type = "timestamptz"
    parameters = {
        "from": ("datetime", "starting at or after"),
        "to": ("datetime", "starting before"),
        "client": ("uuid", "of one client"),
        "link": ("uuid", "booked together"),
        "state": ("str", "booked, arrived, in_room, left, cancelled or no_show"),
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = []
        for name, sql in (
            ("from", "e.starts_at >= %s"),
            ("to", "e.starts_at < %s"),
            ("client", "e.client_id = ANY(%s)"),
            ("link", "e.link_id = %s"),
            ("state", "e.state = %s"),
        ):
            value = self.query(name)
            if value is not None:
                found.append((sql, [ids_of(value) if name == "client" else value]))
        return found


class ListVisitsInQuestion(LocationListView):
    """Booked visits with a line that could not go ahead by what is known today, in order of time.

    A line's `verdict` with no `screened_on` was foreseen, not screened: `earliest_on` says from when
    it could, if a date can be told. Nothing was cancelled; the consultation of the day decides.
    """

    access = {"GET": READERS}
    entity = VISIT
    order = "e.starts_at"
    order_type = "timestamptz"

    def narrower(self, place: Location) -> Conditions:
        return [("e.starts_at >= %s", [self.now]), in_question()]


class BookVisit(Offering):
    """Book a visit of one or more lines. A clash is 409 and names what clashes, until when, and alternatives."""

    access = {"POST": STAFF}
    input = shapes.BookVisit
    entity = VISIT
    status = 201
    problems = (*PLANNING, *OF_A_HOLD, p.HoldDiffers)

    def handle(self, *, location: UUID, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return booking.book_visit(
            location_id=location, lines=[line_request(x) for x in lines], **given
        )

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed | None:
        return of_new_visit(data, path["location"], self.now)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The visit may bring its own id: the address names the location.
        return self._command(request, location=path["id"])


class TakeWalkIn(BookVisit):
    """Book and arrive in one, for someone who stands at the desk."""

    input = shapes.TakeWalkIn
    problems = (*PLANNING, p.NotTheDay)

    def handle(self, *, location: UUID, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return visit.take_walk_in(
            location_id=location, lines=[line_request(x) for x in lines], **given
        )


class ReadVisit(RowView):
    """One visit with its lines. No health answer: outcome and date of screening only."""

    access = {"GET": READERS}
    entity = VISIT


class OnVisit(Command):
    """A command on a visit; answers the visit."""

    entity = VISIT
    tag = "visits"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, visit_id=path["id"])


class MoveVisit(OnVisit, Offering):
    """Give a booked visit other times, people, rooms or kits; what it had is freed first.

    A clash is 409 and names alternatives.
    """

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.MoveVisit
    problems = PLANNING

    def handle(self, *, lines: list[dict[str, Any]], **given: Any) -> Visit:
        return booking.move_visit(lines=[line_request(x) for x in lines], **given)

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed:
        return of_visit(data, path["visit_id"], self.now)


class ReassignVisit(OnVisit, Offering):
    """Have another practitioner perform every line that has not begun. A clash is 409 and names alternatives."""

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.ReassignVisit
    problems = (*PLANNING, *POLICY_UNFIT)

    def handle(self, **given: Any) -> Visit:
        return changing.reassign_visit(**given)

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed | None:
        return of_visit_with(data["practitioner_id"], path["visit_id"], self.now)


class CancelVisit(OnVisit):
    """Cancel; when, by whom and how much notice are kept with the policy shown at booking.

    With `linked` also the visits that were booked together with it and have not begun.
    """

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.CancelVisit

    def handle(self, *, linked: bool = False, **given: Any) -> Visit:
        return linking.cancel_linked(**given) if linked else booking.cancel_visit(**given)


class RecordNoShow(OnVisit):
    """The client did not come; only once the time has passed."""

    takes_match = True
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


class StrikeVisitState(OnVisit):
    """Arrived, cancelled or not come was a mistake: booked as before. Both stay on record."""

    access = {"POST": STAFF}
    input = shapes.WithReason
    problems = (ClaimClash,)

    def handle(self, **given: Any) -> Visit:
        return corrections.strike_visit_state(**given)


class RecordArrival(OnVisit):
    """The client is here."""

    takes_match = True
    access = {"POST": STAFF}
    problems = (p.NotTheDay,)

    def handle(self, **given: Any) -> Visit:
        return visit.record_arrival(**given)


class RecordGuardian(OnVisit):
    """A minor's guardian is here, in person, or is not after all. Open lines are decided anew."""

    access = {"POST": STAFF}
    input = shapes.RecordGuardian
    problems = POLICY_UNFIT

    def handle(self, **given: Any) -> Visit:
        return presence.record_guardian(**given)


class RecordChaperone(OnVisit):
    """A chaperone was offered: accepted, and who it is, or declined."""

    access = {"POST": FLOOR}
    input = shapes.RecordChaperone

    def handle(self, **given: Any) -> Visit:
        return presence.record_chaperone(**given)


class SeatClient(OnVisit):
    """Bring the client to a ready room; what is laid out there is opened and counts as soiled from now on."""

    takes_match = True
    access = {"POST": FLOOR}
    input = shapes.SeatClient
    problems = (RoomNotReady, p.LinesOpen)

    def handle(self, **given: Any) -> Visit:
        return visit.seat_client(**given)


class RecordLeaving(OnVisit):
    """The client leaves; the room needs turnover from now on."""

    takes_match = True
    access = {"POST": STAFF}
    problems = (p.LinesOpen,)

    def handle(self, **given: Any) -> Visit:
        return visit.record_leaving(**given)


class AddLine(OnVisit, Offering):
    """One more line in a booked or running visit; time, room and kit are checked, the area is screened.

    A clash is 409 and names alternatives: later starts of that one service.
    """

    takes_match = True
    access = {"POST": STAFF}
    input = shapes.LineInput
    problems = (*PLANNING, *POLICY_UNFIT)

    def handle(
        self, *, actor: Any, now: Any, visit_id: UUID, match: int | None = None, **line: Any
    ) -> Visit:
        return replanning.add_line(
            actor=actor, now=now, visit_id=visit_id, request=line_request(line), match=match
        )

    def clashed(self, data: Mapping[str, Any], path: Mapping[str, Any]) -> Clashed:
        return of_added_line(data, path["visit_id"], self.now)
