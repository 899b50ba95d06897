"""The room board: one location at one glance."""

from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from services.queries.room_board import room_board
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import READERS, ApiView, answer

_NULL = {"type": "null"}
_RUNS = object_schema(
    visit_id="uuid", line_id="uuid", service="str", practitioner_id="uuid", line_state="str",
    ends_at="datetime", over_seconds="int",
)  # fmt: skip
_NEXT = object_schema(
    visit_id="uuid", state="str", set_up_at="datetime", starts_at="datetime", practitioner_id="uuid"
)
_ROOM = object_schema(
    room_id="uuid", name="str", state="str", since="datetime", ready_at="datetime?", late_seconds="int",
    expected_seconds="int", shortest_seconds="int", turnovers_counted="int", turnovers_too_fast="int",
    runs={"anyOf": [_RUNS, _NULL]}, next={"anyOf": [_NEXT, _NULL]},
    flags=array_of(object_schema(kind="str", due_at="datetime")),
)  # fmt: skip
_SOLUTION = object_schema(
    solution_id="uuid", container="str", product="str", mixed_at="datetime", discard_at="datetime",
    seconds_left="int", is_usable="bool", uses="int", uses_allowed="int?",
)  # fmt: skip
_KIT = object_schema(
    kit_id="uuid", name="str", kind="str", implements="object", contact_due_at="datetime?"
)


class ReadRoomBoard(ApiView):
    """Every room of a location: its state and since when, what runs in it, what comes, when it is ready.

    `ready_at` is foretold from the room's own latest turnovers, never sooner than the required steps
    and the label's wet time take; turnovers that were faster than that are counted as
    `turnovers_too_fast`, and count for nothing else. `late_seconds`: how long after the next set-up
    should begin. With it the soak solutions in use and the kits, each with its clock. What changes
    comes through the location's feed (`/sync/{id}/changes`), whose stream says when to look.
    """

    access = {"GET": READERS}
    tag = "rooms"
    problems = (NotFound,)
    output = object_schema(
        at="datetime", rooms=array_of(_ROOM), solutions=array_of(_SOLUTION), kits=array_of(_KIT)
    )

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer(room_board(tenancy.location(id, self.actor), self.now))
