"""Endpoints of open containers, and the reads of how a location's stock stands."""

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from rooms import actions
from rooms.api import stock_shapes as shapes
from rooms.api.stock import LOT_READERS
from rooms.bodies import OPEN_CONTAINER, OPEN_CONTAINER_HELD
from rooms.models import Closing, OpenContainer, StockPart
from rooms.problems import NotToBeUsed, WrongPartOfStock
from rooms.queries.stock import balances
from rooms.queries.stock_use import counted_use
from rooms.rules.stock import COUNT_EVERY_DAYS, plain
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import reading
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, STAFF, ApiView, Command, RowView, answer

NOTICE = (
    "Dates and periods are those recorded from labels. The label, the rules of the local board and "
    "the licensed practitioner's judgement come first: what looks, smells or feels wrong is not used."
)
#: House policy: no more than a year of counts.
MOST_DAYS = 366


class ListContainers(LocationListView):
    """What was opened at a location, with what is left in it by the books; `open=true`: what stands open.

    Past `discard_by` a container is not used any more; it is on the list of what is due.
    """

    access = {"GET": LOT_READERS}
    entity = OPEN_CONTAINER_HELD
    tag = "stock"
    order = "e.opened_at"
    order_type = "timestamptz"
    parameters = {
        "open": ("bool", "true: open; false: closed"),
        "item_id": ("uuid", "only of that item"),
        "lot_id": ("uuid", "only of that lot"),
        "room_id": ("uuid", "only what stands in that room"),
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = []
        if (is_open := self.query("open")) is not None:
            found.append(("(e.closed_at IS NULL) = %s", [is_open]))
        for name in ("item_id", "lot_id", "room_id"):
            if (value := self.query(name)) is not None:
                found.append((f"e.{name} = %s", [value]))
        return found


class OpenIt(Command):
    """Open a container: of the lot named, else of the one in stock that expires first.

    `discard_by` is the earlier of the lot's expiry and the label's period after opening.
    """

    access = {"POST": FLOOR}
    input = shapes.OpenIt
    entity = OPEN_CONTAINER
    tag = "stock"
    status = 201
    problems = (NotToBeUsed, WrongPartOfStock)

    def handle(self, **given: Any) -> OpenContainer:
        return actions.open_container(**given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, location_id=path["id"])


class ReadContainer(RowView):
    """One opened container."""

    access = {"GET": LOT_READERS}
    entity = OPEN_CONTAINER
    tag = "stock"


class _OnContainer(Command):
    access = {"POST": FLOOR}
    entity = OPEN_CONTAINER
    tag = "stock"

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, container_id=path["id"])


class Decant(_OnContainer):
    """Fill a clean, empty container from an open one. It has the same lot and the same date.

    A container in use is never topped up: it is closed when it is empty, and a new one is opened.
    """

    input = shapes.Decant
    status = 201
    problems = (NotToBeUsed,)

    def handle(self, **given: Any) -> OpenContainer:
        return actions.decant(**given)


class MoveIt(_OnContainer):
    """An open container stands in another room from then on; null: wherever it is wanted."""

    input = shapes.MoveIt

    def handle(self, **given: Any) -> OpenContainer:
        return actions.move_container(**given)


class CloseIt(_OnContainer):
    """An open container is empty, or was thrown away with what was left in it. It stays closed."""

    input = shapes.CloseIt

    def handle(self, *, reason: str, **given: Any) -> OpenContainer:
        return actions.close_container(reason=Closing(reason), **given)


_BALANCE = object_schema(
    item_id="uuid", name="str", part="str", unit="str", total="str", usable="str", in_open="str",
    first_use_by="date?",
)  # fmt: skip


class ReadStock(ApiView):
    """How much there is of each item at a location. `usable` leaves out what is past its date or withdrawn.

    Less than 0 is more used than was booked in: count it.
    """

    access = {"GET": STAFF}
    tag = "stock"
    parameters = {"part": ("str", "professional or retail")}
    output = object_schema(location_id="uuid", day="date", notice="str", items=array_of(_BALANCE))

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        part = self.query("part")
        if part is not None and part not in StockPart.values:
            raise _refused("part", "must be professional or retail")
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            day = local_date(self.now, place.zone)
            found = balances(place.id, day, part)
        return answer(
            {
                "location_id": place.id,
                "day": day,
                "notice": NOTICE,
                "items": [
                    {
                        "item_id": one.item.id,
                        "name": one.item.name,
                        "part": one.item.part,
                        "unit": one.item.unit,
                        "total": plain(one.standing.total),
                        "usable": plain(one.standing.usable),
                        "in_open": plain(one.standing.in_open),
                        "first_use_by": one.standing.first_use_by,
                    }
                    for one in found
                ],
            }
        )


_USE = object_schema(
    item_id="uuid", count_id="uuid", lot_id="uuid?", counted_at="datetime", counted_by="uuid?",
    since="datetime?", expected="str", counted="str", recipe="str", actual="str", difference="str",
    percent={"type": ["string", "null"]},
)  # fmt: skip


class ReadCountedUse(ApiView):
    """Use against recipe: at each item's last count in a span, what lines should have used and what was.

    From the count before (`since`) to that one. `difference` more than 0: more was used than lines
    say; `percent` is of the recipe, null where that is nothing.
    """

    access = {"GET": FLOOR}
    tag = "stock"
    parameters = {
        "from": ("datetime", "default: a week before `to`"),
        "to": ("datetime", "default: now; at most 366 days after `from`"),
    }
    output = object_schema(
        location_id="uuid", start="datetime", end="datetime", items=array_of(_USE)
    )

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        end = self.query("to") or self.now + timedelta(microseconds=1)
        try:
            start = self.query("from") or end - timedelta(days=COUNT_EVERY_DAYS)
            fits = timedelta() < end - start <= timedelta(days=MOST_DAYS)
        except OverflowError:
            fits = False
        if not fits:
            raise _refused("from", f"must be before `to`, and at most {MOST_DAYS} days")
        with reading(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            found = counted_use(place.id, start, end)
        return answer(
            {
                "location_id": place.id,
                "start": start,
                "end": end,
                "items": [
                    {
                        "item_id": one.item_id,
                        "count_id": one.count_id,
                        "lot_id": one.lot_id,
                        "counted_at": one.counted_at,
                        "counted_by": one.counted_by,
                        "since": one.since,
                        "expected": plain(one.expected),
                        "counted": plain(one.counted),
                        "recipe": plain(one.use.recipe),
                        "actual": plain(one.use.actual),
                        "difference": plain(one.use.difference),
                        "percent": one.use.percent,
                    }
                    for one in found
                ],
            }
        )


def _refused(name: str, message: str) -> InvalidInput:
    return InvalidInput({"pointer": f"?{name}", "code": "invalid", "message": message})
