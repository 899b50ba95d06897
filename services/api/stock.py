"""Endpoints of the stock that need visits: when items run out, how good that was, what is due."""

from datetime import date
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from rest_framework.request import Request

from rooms.rules.stock import plain
from services.queries import stock_forecast as queries
from services.rules.stock_forecast import (
    COVER_DAYS,
    WEEKS,
    Amounts,
    mean_error_percent,
    spread_from,
)
from spa_ops.kernel.clock import local_date
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import snapshot
from spa_ops.web.entities import array_of, object_schema
from spa_ops.web.views import FLOOR, STAFF, ApiView, answer

NOTICE = (
    "A forecast from booked visits and past weeks, no promise. What is ordered, and how long it keeps, "
    "is decided by whoever knows the supplier and the label."
)
_AMOUNTS = object_schema(low="str", likely="str", high={"type": ["string", "null"]})
_ITEM = object_schema(
    item_id="uuid", name="str", unit="str", usable="str", next_week=_AMOUNTS, runs_out_early="date?",
    runs_out="date?", runs_out_late="date?", order_by="date?", order_packs="int", order_quantity="str",
    weeks="int", spread_from="str", looked_until="date",
)  # fmt: skip


class _OfStock(ApiView):
    """A read of one location's stock on its present day."""

    tag = "stock"

    def get(self, request: Request, *, id: UUID) -> HttpResponse:
        # Stock and visits of one moment: an item must not be used up and still be booked.
        with snapshot(self.actor.business_id):
            place = tenancy.location(id, self.actor)
            today = local_date(self.now, place.zone)
            found = self.found(place, today)
        return answer({"location_id": place.id, "day": today} | found)

    def found(self, place: Location, today: date) -> dict[str, Any]:
        raise NotImplementedError


class ReadForecast(_OfStock):
    __doc__ = f"""When each item runs out and what to order by when, with its spread.

    Known is what is booked, as far as this house's visits are kept; unknown is what it books later, as
    the last {WEEKS} weeks had it (`weeks` says how many whole ones are known). `low` to `high`, and
    `runs_out_early` to `runs_out_late`, hold eight of ten cases; a date of null: not until `looked_until`.
    The fewer weeks, the wider. `spread_from` says what it is known from: `booked`, with no whole week,
    is booked visits alone, and how much more will be used nobody knows (`high` is null); `single_uses`,
    with one, is the chance in number and size of uses, not how weeks differ otherwise; `weeks` is both.
    Steady growth is seen about three weeks late. `order_by` is the early day less the lead days and may
    be past; the order lasts {COVER_DAYS} days beyond its delivery in nine of ten cases.
    """

    access = {"GET": FLOOR}
    output = object_schema(location_id="uuid", day="date", notice="str", items=array_of(_ITEM))

    def found(self, place: Location, today: date) -> dict[str, Any]:
        return {
            "notice": NOTICE,
            "items": [_outlook(one) for one in queries.outlooks(place, today)],
        }


def _outlook(one: queries.ItemOutlook) -> dict[str, Any]:
    out = one.outlook
    return {
        "item_id": one.item.id,
        "name": one.item.name,
        "unit": one.item.unit,
        "usable": plain(one.usable),
        "next_week": _amounts(one.week),
        "runs_out_early": out.runs_out.early,
        "runs_out": out.runs_out.likely,
        "runs_out_late": out.runs_out.late,
        "order_by": out.order_by,
        "order_packs": out.packs,
        "order_quantity": plain(out.packs * one.item.pack_size),
        "weeks": out.weeks,
        "spread_from": spread_from(out.weeks).value,
        "looked_until": out.horizon,
    }


def _amounts(amounts: Amounts) -> dict[str, str | None]:
    return {
        "low": plain(amounts.low),
        "likely": plain(amounts.likely),
        "high": None if amounts.high is None else plain(amounts.high),
    }


_WEEK = object_schema(begins="date", expected=_AMOUNTS, actual="str", within="bool")
_ERRORS = object_schema(
    item_id="uuid", name="str", unit="str", mean_error_percent={"type": ["string", "null"]},
    within="int", weeks=array_of(_WEEK),
)  # fmt: skip


class ReadForecastErrors(_OfStock):
    """The forecast tried on the last weeks: what it would have said on each first morning, and what was used.

    `within` counts the weeks whose use lay between low and high, as eight in ten should.
    The spread of a week's own morning, so from the weeks before it. `mean_error_percent` is the mean absolute error of the likely amount, of what was used.
    """

    access = {"GET": FLOOR}
    output = object_schema(location_id="uuid", day="date", items=array_of(_ERRORS))

    def found(self, place: Location, today: date) -> dict[str, Any]:
        return {
            "items": [
                {
                    "item_id": one.item.id,
                    "name": one.item.name,
                    "unit": one.item.unit,
                    "mean_error_percent": mean_error_percent(one.weeks),
                    "within": sum(week.within for week in one.weeks),
                    "weeks": [
                        {
                            "begins": week.begins,
                            "expected": _amounts(week.expected),
                            "actual": plain(week.actual),
                            "within": week.within,
                        }
                        for week in one.weeks
                    ],
                }
                for one in queries.past_errors(place, today)
            ]
        }


_DUE = object_schema(
    kind="str", item_id="uuid", due_on="date", lot_id="uuid?", container_id="uuid?", room_id="uuid?",
    quantity={"type": ["string", "null"]},
)  # fmt: skip


class ReadDueStock(_OfStock):
    """What is due about a location's stock, the most pressing first.

    `negative`: less than nothing, count it. `withdrawn`, `past_date`: open and not to be used.
    `expired`, `expiring`: lots. `runs_out`: perhaps within a week. `order`: the day to order by has
    come. `discard_soon`: open, its date is near. `no_lot`: open, nobody knows of which lot.
    `uncounted`: a week without a count.
    """

    access = {"GET": STAFF}
    output = object_schema(location_id="uuid", day="date", items=array_of(_DUE))

    def found(self, place: Location, today: date) -> dict[str, Any]:
        return {
            "items": [
                {
                    "kind": one.kind,
                    "item_id": one.item_id,
                    "due_on": one.due_on,
                    "lot_id": one.lot_id,
                    "container_id": one.container_id,
                    "room_id": one.room_id,
                    "quantity": None if one.quantity is None else plain(one.quantity),
                }
                for one in queries.due_stock(place, today)
            ]
        }
