"""Endpoints of stock: items, lots, and what comes and goes."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from rooms import actions
from rooms.api import stock_shapes as shapes
from rooms.bodies import STOCK_COUNT, STOCK_ITEM, STOCK_LOT, STOCK_LOT_HELD, STOCK_MOVEMENT
from rooms.models import StockCount, StockItem, StockLot, StockMovement
from rooms.problems import LotDiffers, NotToBeUsed, WrongPartOfStock
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.web.views import (
    DESK,
    FLOOR,
    INSPECTOR,
    LEADS,
    READERS,
    STAFF,
    Command,
    Edit,
    ListView,
    RowView,
)

#: Lots and what is open of them are also for who inspects.
LOT_READERS = STAFF | {INSPECTOR}


class ListItems(ListView):
    """What is kept in stock, by name: the same at all locations."""

    access = {"GET": READERS}
    entity = STOCK_ITEM
    tag = "stock"
    order = "e.name"
    order_type = "text"
    parameters = {
        "part": ("str", "professional or retail"),
        "active": ("bool", "true: in use; false: retired"),
    }

    def filters(self, **path: Any) -> list[tuple[str, list[Any]]]:
        found: list[tuple[str, list[Any]]] = []
        if (part := self.query("part")) is not None:
            found.append(("e.part = %s", [part]))
        if (active := self.query("active")) is not None:
            found.append(("e.active = %s", [active]))
        return found


class AddItem(Command):
    """Keep an item in stock. With a code and size it is what set-up lists of visits ask for and use up."""

    access = {"POST": LEADS}
    input = shapes.AddItem
    entity = STOCK_ITEM
    tag = "stock"
    status = 201

    def handle(self, **given: Any) -> StockItem:
        return actions.add_stock_item(**given)


class ReadItem(RowView):
    """One item."""

    access = {"GET": READERS}
    entity = STOCK_ITEM
    tag = "stock"


class ChangeItem(Edit):
    """Change an item, or retire it. Unit and part are fixed once something was moved."""

    access = {"PATCH": LEADS}
    input = shapes.ChangeItem
    entity = STOCK_ITEM
    tag = "stock"

    def handle(self, *, id: UUID, **given: Any) -> StockItem:
        return actions.change_stock_item(item_id=id, **given)


class ListLots(LocationListView):
    """The lots of a location with what is held of each, by expiry date; those with none come last."""

    access = {"GET": LOT_READERS}
    entity = STOCK_LOT_HELD
    tag = "stock"
    order = "coalesce(e.expires_on, 'infinity')"
    order_type = "date"
    parameters = {
        "item_id": ("uuid", "only of that item"),
        "number": ("str", "only under that lot number"),
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = []
        for name in ("item_id", "number"):
            if (value := self.query(name)) is not None:
                found.append((f"e.{name} = %s", [value]))
        return found


class ReadLot(RowView):
    """One lot."""

    access = {"GET": LOT_READERS}
    entity = STOCK_LOT
    tag = "stock"


class WithdrawLot(Command):
    """A lot is not to be used any more, such as one its maker calls back. Nothing of it is chosen then."""

    access = {"POST": LEADS}
    input = shapes.Withdraw
    entity = STOCK_LOT
    tag = "stock"

    def handle(self, *, id: UUID, **given: Any) -> StockLot:
        return actions.withdraw_lot(lot_id=id, **given)


class ReinstateLot(Command):
    """A lot that was withdrawn may be used after all."""

    access = {"POST": LEADS}
    entity = STOCK_LOT
    tag = "stock"

    def handle(self, *, id: UUID, **given: Any) -> StockLot:
        return actions.reinstate_lot(lot_id=id, **given)


class ListMovements(LocationListView):
    """Every movement of a location's stock, the oldest first. Which line used it is told by tracing alone."""

    access = {"GET": FLOOR}
    entity = STOCK_MOVEMENT
    tag = "stock"
    order = "e.happened_at"
    order_type = "timestamptz"
    parameters = {
        "item_id": ("uuid", "only of that item"),
        "since": ("datetime", "only what happened since then"),
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = []
        if (item_id := self.query("item_id")) is not None:
            found.append(("e.item_id = %s", [item_id]))
        if (since := self.query("since")) is not None:
            found.append(("e.happened_at >= %s", [since]))
        return found


class _AtLocation(Command):
    entity = STOCK_MOVEMENT
    tag = "stock"
    status = 201

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The body may bring the movement's own id: the address names the location.
        return self._command(request, location_id=path["id"])


class Receive(_AtLocation):
    """Stock came: of which lot, to be used until when, as the label says."""

    access = {"POST": LEADS}
    input = shapes.Receive
    problems = (LotDiffers,)

    def handle(self, **given: Any) -> StockMovement:
        return actions.receive_stock(**given)


class Use(_AtLocation):
    """Stock was used besides the lines of visits, which book their own use when they end."""

    access = {"POST": FLOOR}
    input = shapes.Use
    problems = (WrongPartOfStock,)

    def handle(self, **given: Any) -> StockMovement:
        return actions.use_stock(**given)


class Sell(_AtLocation):
    """Retail stock was sold without a visit: of the lot named, else first expired, first out.

    At a visit it is sold at `visits/{id}/sales`, which has the money. What is past its date or called
    back is refused. Where more than one lot is taken there is a movement for each; this is the first.
    """

    access = {"POST": DESK}
    input = shapes.Sell
    problems = (WrongPartOfStock, NotToBeUsed)

    def handle(self, **given: Any) -> StockMovement:
        return actions.sell_stock(**given)


class Discard(_AtLocation):
    """Stock that was not open was thrown away. An open container is closed instead."""

    access = {"POST": FLOOR}
    input = shapes.Discard

    def handle(self, **given: Any) -> StockMovement:
        return actions.discard_stock(**given)


class Correct(_AtLocation):
    """Put right what was recorded wrongly: a movement of its own, with why."""

    access = {"POST": LEADS}
    input = shapes.Correct

    def handle(self, **given: Any) -> StockMovement:
        return actions.correct_stock(**given)


class CountIt(_AtLocation):
    """What was counted of an item, or of one lot of it; `expected` is what the movements said.

    The stock stands at what was counted. What is missing is presumed gone from what was due first.
    """

    access = {"POST": FLOOR}
    input = shapes.CountIt
    entity = STOCK_COUNT

    def handle(self, **given: Any) -> StockCount:
        return actions.count_stock(**given)


class ListCounts(LocationListView):
    """The counts of a location's stock, the oldest first."""

    access = {"GET": FLOOR}
    entity = STOCK_COUNT
    tag = "stock"
    order = "e.counted_at"
    order_type = "timestamptz"
    parameters = {"item_id": ("uuid", "only of that item")}

    def narrower(self, place: Location) -> Conditions:
        item_id = self.query("item_id")
        return [] if item_id is None else [("e.item_id = %s", [item_id])]
