"""What is due about stock: dates, shortages, counts, orders."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from uuid import UUID

from rooms.models import StockItem
from rooms.queries.stock_due import StockDue
from rooms.queries.stock_due import due_stock as due_in_rooms
from rooms.rules.stock import COUNT_EVERY_DAYS, WARN_DAYS, plain
from services.models import DueCheck
from services.queries.due_checks import source
from services.queries.stock_forecast import due_stock
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy.models import Location

#: Kind -> what is shown beside the item's name, and how long ahead it is told.
_WORDS = {
    "negative": "less than nothing in stock: count it",
    "withdrawn": "open, of a lot that was withdrawn: discard it",
    "past_date": "open past its date: discard it",
    "discard_soon": "open: to discard by",
    "expired": "expired: discard it",
    "expiring": "expires",
    "runs_out": "runs out",
    "order": "to order",
    "uncounted": "to count",
}
_AHEAD = {"discard_soon": COUNT_EVERY_DAYS, "past_date": COUNT_EVERY_DAYS, "expiring": WARN_DAYS, "expired": WARN_DAYS}  # fmt: skip
#: One matter for each item: there is less than nothing of it, it runs out, order it.
_SHORT = ("negative", "runs_out", "order")
#: The forecast takes long for a sweep of every minute, and moves by days: it is made when an hour begins.
_FORECAST_MINUTES = 10


@source(DueKind.STOCK, pace=Pace.DAYS)
def stock_due(place: Location, now: datetime) -> Iterator[Standing]:
    """What the list of what is due about stock has, each item's shortage once.

    A date is due when its last day ends. A shortage is due from when it was first found: it is one
    check for as long as it lasts, though the day on which something runs out moves with each use.
    What the forecast found stands until the next one.
    """
    on = local_date(now, place.zone)
    is_forecast = now.minute < _FORECAST_MINUTES
    found = due_stock(place, on) if is_forecast else due_in_rooms(place.id, on)
    names = dict(StockItem.objects.values_list("id", "name"))
    standing = _open_shortages(place)
    short: set[UUID] = set()
    for one in found:
        if one.kind not in _WORDS:
            continue
        # The words tell checks apart, so that a long name must not push them out.
        what = f"{names[one.item_id][:120]}: {_WORDS[one.kind]}"
        if one.kind not in _SHORT:
            yield _dated(place, one, what)
        elif one.item_id not in short:
            short.add(one.item_id)
            known = standing.get(one.item_id)
            due_at = known.due_at if known else now
            yield Standing(subject_id=one.item_id, due_at=due_at, what=_with_amount(what, one))
    if not is_forecast:
        for item_id, row in standing.items():
            if item_id not in short and _WORDS["negative"] not in row.what:
                yield Standing(subject_id=item_id, due_at=row.due_at, what=row.what)


def _with_amount(what: str, one: StockDue) -> str:
    return f"{what} {plain(one.quantity)}" if one.kind == "order" and one.quantity else what


def _dated(place: Location, one: StockDue, what: str) -> Standing:
    day = local_day(one.due_on, place.zone)
    if one.kind == "uncounted":
        return Standing(subject_id=one.item_id, due_at=day.start, what=what)
    subject = one.container_id or one.lot_id or one.item_id
    if one.kind == "withdrawn":
        return Standing(subject_id=subject, due_at=day.start, what=what)
    ahead = timedelta(days=_AHEAD[one.kind])
    return Standing(subject_id=subject, due_at=day.end, warn_at=day.end - ahead, what=what)


def _open_shortages(place: Location) -> dict[UUID, DueCheck]:
    """By item the open check of its shortage; other checks of stock have other words."""
    rows = DueCheck.objects.filter(
        location=place, kind=DueKind.STOCK.value, cleared_at=None
    ).order_by("-due_at")
    words = [f": {_WORDS[kind]}" for kind in _SHORT]
    return {row.subject_id: row for row in rows if any(said in row.what for said in words)}
