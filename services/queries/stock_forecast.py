"""Reads for the stock's forecast: what booked visits will use, what past days used. Never writes."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from itertools import groupby
from uuid import UUID

from django.db.models import QuerySet

from rooms.models import StockItem
from rooms.queries.stock import available
from rooms.queries.stock_due import StockDue, in_order
from rooms.queries.stock_due import due_stock as due_in_rooms
from rooms.queries.stock_use import DailyUse, daily_use, first_moved
from services.models import Line, LineState, VisitState
from services.queries.set_up import drawing_on, to_set_up
from services.queries.stock import Known, recipe, shelf
from services.queries.treatments import OVER
from services.rules import stock_forecast as rules
from services.rules.set_up import WaxDrawing
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy.models import Location

_COMING = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)
#: Past weeks that the forecast is tried on.
TRIED_WEEKS = 8
_ByDay = dict[UUID, dict[date, Decimal]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemOutlook:
    """An item, what of it may be used now, what the next week takes, and when it runs out."""

    item: StockItem
    usable: Decimal
    week: rules.Amounts
    outlook: rules.Outlook


def outlooks(place: Location, today: date) -> list[ItemOutlook]:
    """Every item in use that was ever moved here, by name. Eight statements, however many visits."""
    items = list(StockItem.objects.filter(active=True).order_by("name", "id"))
    since = _since(place)
    kept = [item for item in items if item.id in since]
    if not kept:
        return []
    horizon = max(max(i.lead_days for i in kept) + rules.COVER_DAYS, rules.HORIZON_DAYS)
    booked = _booked(place, today, horizon + rules.COVER_DAYS)
    past = _past(place, today, rules.WEEKS)
    stock = available(place.id, [item.id for item in kept], today)
    found = []
    for item in kept:
        demand = _demand(item.id, past, booked, since[item.id])
        found.append(
            ItemOutlook(
                item=item,
                usable=stock[item.id],
                week=rules.demand_within(demand, today, 7),
                outlook=rules.outlook(
                    demand, stock[item.id], today=today, pack_size=item.pack_size, lead_days=item.lead_days
                ),
            )
        )  # fmt: skip
    return found


def _since(place: Location) -> dict[UUID, date]:
    return {i: local_date(at, place.zone) for i, at in first_moved(place.id).items()}


def _past(place: Location, today: date, weeks: int) -> dict[UUID, DailyUse]:
    first = local_day(today - timedelta(days=7 * weeks), place.zone).start
    return daily_use(place.id, place.zone, first)


def _demand(
    item_id: UUID, past: Mapping[UUID, DailyUse], booked: Mapping[UUID, dict[date, Decimal]], since: date
) -> rules.Demand:  # fmt: skip
    one = past.get(item_id)
    used = one.used if one else {}
    return rules.Demand(
        used=used,
        booked=booked.get(item_id, {}),
        since=since,
        factor=rules.factor_of(
            sum(used.values(), Decimal(0)), one.counted_away if one else Decimal(0)
        ),
    )


def _booked(place: Location, today: date, days: int) -> _ByDay:
    """What visits still to be done will use by the set-up list, by item and local day."""
    start = local_day(today, place.zone).start
    end = local_day(today + timedelta(days=days), place.zone).end
    rows = Line.objects.filter(
        visit__location=place, visit__state__in=_COMING, visit__starts_at__gte=start, visit__starts_at__lt=end
    )  # fmt: skip
    return _recipes(place, rows.exclude(state=LineState.DROPPED), without_over=True)


def _recipes(place: Location, rows: QuerySet[Line], *, without_over: bool) -> _ByDay:
    """For each visit's day what its lines use, less what those that are over have used."""
    items, known = shelf(), Known()
    lines = list(rows.select_related("service", "visit", "kit").order_by("visit_id", "position"))
    found: _ByDay = defaultdict(lambda: defaultdict(Decimal))
    ways: dict[date, WaxDrawing] = {}
    pairs = zip(lines, to_set_up(lines), strict=True)
    for _, own in groupby(pairs, lambda pair: pair[0].visit_id):
        visit = list(own)
        day = local_date(visit[0][0].visit.starts_at, place.zone)
        if day not in ways:
            ways[day] = drawing_on(place, day).way
        every = recipe([facts for _, facts in visit], ways[day], items, known)
        over = [facts for line, facts in visit if without_over and line.state in OVER]
        gone = recipe(over, ways[day], items, known) if over else {}
        for item_id, amount in every.items():
            found[item_id][day] += amount - gone.get(item_id, Decimal(0))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemErrors:
    """How the forecast of an item would have done in past weeks."""

    item: StockItem
    weeks: list[rules.PastWeek]


def past_errors(place: Location, today: date) -> list[ItemErrors]:
    """The forecast tried on the last TRIED_WEEKS weeks, for each item with a week before one of them.

    Each is made of what was known on its first morning: use until then, and visits booked by then,
    at the times they have now and with the lines they have now. Six statements and one for each week.
    """
    items = list(StockItem.objects.filter(active=True).order_by("name", "id"))
    since = _since(place)
    past = _past(place, today, rules.WEEKS + TRIED_WEEKS)
    booked = {
        begins: _booked_then(place, begins)
        for begins in (today - timedelta(days=7 * n) for n in range(1, TRIED_WEEKS + 1))
    }
    found = []
    for item in items:
        if item.id not in since:
            continue
        demand = _demand(item.id, past, {}, since[item.id])
        then = {begins: days.get(item.id, {}) for begins, days in booked.items()}
        weeks = rules.past_weeks(demand, then, today=today, weeks=TRIED_WEEKS)
        if weeks:
            found.append(ItemErrors(item=item, weeks=weeks))
    return found


def _booked_then(place: Location, begins: date) -> _ByDay:
    span = (local_day(begins, place.zone).start, local_day(begins + timedelta(days=7), place.zone).start)  # fmt: skip
    rows = Line.objects.filter(
        visit__location=place,
        visit__starts_at__gte=span[0],
        visit__starts_at__lt=span[1],
        visit__booked_at__lt=span[0],
    )
    return _recipes(place, rows, without_over=False)


def due_stock(place: Location, on: date) -> list[StockDue]:
    """All that is due about a location's stock on a local day, run-outs and orders among it.

    `runs_out` within a week (as early as one in ten times), `order` where the day to order by has
    come. The most pressing first.
    """
    found = due_in_rooms(place.id, on)
    for one in outlooks(place, on):
        early, order_by = one.outlook.runs_out.early, one.outlook.order_by
        if one.usable < 0:
            continue  # it is on the list as negative
        if order_by is not None and order_by <= on and one.outlook.packs:
            found.append(
                StockDue(
                    kind="order", item_id=one.item.id, due_on=order_by,
                    quantity=one.outlook.packs * one.item.pack_size,
                )
            )  # fmt: skip
        if early is not None and (early - on).days < 7:
            found.append(
                StockDue(kind="runs_out", item_id=one.item.id, due_on=early, quantity=one.usable)
            )
    return in_order(found)
