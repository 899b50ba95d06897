"""Reads for the stock's forecast: what booked visits will use, what past days used. Never writes."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from itertools import groupby
from uuid import UUID

from django.db import connection
from django.db.models import Exists, OuterRef, QuerySet

from rooms.models import StockItem
from rooms.queries.stock import available
from rooms.queries.stock_due import StockDue, in_order
from rooms.queries.stock_due import due_stock as due_in_rooms
from rooms.queries.stock_use import DailyUse, daily_use, first_moved
from services.models import Line, LineState, VisitChange, VisitState
from services.queries.set_up import drawing_on, to_set_up
from services.queries.stock import Known, recipe, shelf
from services.queries.treatments import OVER
from services.rules import stock_forecast as rules
from services.rules.set_up import WaxDrawing
from services.rules.stock_spread import Habits, Kept
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy.models import Location

_COMING = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)
#: Past weeks that the forecast is tried on.
TRIED_WEEKS = 8
#: Item -> local day -> how much.
_ByDay = dict[UUID, dict[date, Decimal]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Needs:
    """What visits need by item and day, and the sums of the squares of what each of them needs."""

    amounts: _ByDay
    squares: _ByDay

    def of(self, item_id: UUID, habits: Habits) -> rules.Booked:
        """One item's."""
        return rules.Booked(
            needed=self.amounts.get(item_id, {}),
            squares=self.squares.get(item_id, {}),
            habits=habits,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemOutlook:
    """An item, what of it may be used now, what the next week takes, and when it runs out."""

    item: StockItem
    usable: Decimal
    week: rules.Amounts
    outlook: rules.Outlook


def outlooks(place: Location, today: date) -> list[ItemOutlook]:
    """Every item in use that was ever moved here, by name. Nine statements, however many visits."""
    items = list(StockItem.objects.filter(active=True).order_by("name", "id"))
    since = _since(place)
    kept = [item for item in items if item.id in since]
    if not kept:
        return []
    horizon = max(max(i.lead_days for i in kept) + rules.COVER_DAYS, rules.HORIZON_DAYS)
    booked = _booked(place, today, horizon + rules.COVER_DAYS)
    past = _past(place, today, rules.WEEKS)
    habits = Habits(_kept_of(_visits_kept(place, today, rules.WEEKS), today))
    stock = available(place.id, [item.id for item in kept], today)
    found = []
    for item in kept:
        demand = _demand(item.id, past, booked.of(item.id, habits), since[item.id])
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
    item_id: UUID, past: Mapping[UUID, DailyUse], booked: rules.Booked, since: date
) -> rules.Demand:
    one = past.get(item_id)
    used = one.used if one else {}
    return rules.Demand(
        used=used,
        squares=one.squares if one else {},
        booked=booked,
        since=since,
        factor=rules.factor_of(
            sum(used.values(), Decimal(0)), one.counted_away if one else Decimal(0)
        ),
    )


def _booked(place: Location, today: date, days: int) -> _Needs:
    """What visits still to be done will use by the set-up list, by item and local day."""
    start = local_day(today, place.zone).start
    end = local_day(today + timedelta(days=days), place.zone).end
    rows = Line.objects.filter(
        visit__location=place, visit__state__in=_COMING, visit__starts_at__gte=start, visit__starts_at__lt=end
    )  # fmt: skip
    return _recipes(place, rows.exclude(state=LineState.DROPPED), without_over=True)


def _recipes(place: Location, rows: QuerySet[Line], *, without_over: bool) -> _Needs:
    """For each visit's day what its lines use, less what those that are over have used."""
    items, known = shelf(), Known()
    lines = list(rows.select_related("service", "visit", "kit").order_by("visit_id", "position"))
    found, squares = (
        defaultdict[UUID, dict[date, Decimal]](lambda: defaultdict(Decimal)) for _ in range(2)
    )
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
            needed = amount - gone.get(item_id, Decimal(0))
            found[item_id][day] += needed
            squares[item_id][day] += needed * needed
    return _Needs(amounts=found, squares=squares)


_KEPT = """
SELECT d.day, d.day - (v.booked_at AT TIME ZONE %(zone)s)::date,
       CASE WHEN x.state = ANY(%(over)s) THEN NULL
            WHEN c.at IS NULL THEN 0 ELSE d.day - (c.at AT TIME ZONE %(zone)s)::date END, count(*)
FROM services_visit v
JOIN services_line x ON x.visit_id = v.id
CROSS JOIN LATERAL (SELECT (v.starts_at AT TIME ZONE %(zone)s)::date AS day) d
LEFT JOIN LATERAL (
    SELECT max(h.at) AS at FROM services_visit_change h
    WHERE v.state = 'cancelled' AND h.visit_id = v.id AND h.kind = 'cancelled'
) c ON true
WHERE v.location_id = %(place)s AND v.starts_at >= %(start)s AND v.starts_at < %(end)s
  AND v.state IN ('left', 'cancelled', 'no_show')
GROUP BY 1, 2, 3
"""


def _visits_kept(place: Location, today: date, weeks: int) -> list[tuple[date, Kept]]:
    """How lines of visits in past weeks were booked and kept, with their days. One statement.

    A line that was dropped counts as called off on its day: nothing was used for it.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            _KEPT,
            {
                "place": place.id,
                "zone": place.zone,
                "start": local_day(today - timedelta(days=7 * weeks), place.zone).start,
                "end": local_day(today, place.zone).start,
                "over": list(OVER),
            },
        )
        return [
            (day, Kept(ahead=ahead, off=off, lines=n)) for day, ahead, off, n in cursor.fetchall()
        ]


def _kept_of(rows: list[tuple[date, Kept]], today: date) -> list[Kept]:
    """Those of the weeks that are looked back on a day."""
    first = today - timedelta(days=7 * rules.WEEKS)
    return [kept for day, kept in rows if first <= day < today]


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemErrors:
    """How the forecast of an item would have done in past weeks."""

    item: StockItem
    weeks: list[rules.PastWeek]


def past_errors(place: Location, today: date) -> list[ItemErrors]:
    """The forecast tried on the last TRIED_WEEKS weeks, for each item with a week before one of them.

    Each is made of what was known on its first morning: use until then, and visits booked by then and
    not called off, at the times they have now and with the lines they have now. Seven statements and
    one for each week.
    """
    items = list(StockItem.objects.filter(active=True).order_by("name", "id"))
    since = _since(place)
    past = _past(place, today, rules.WEEKS + TRIED_WEEKS)
    kept = _visits_kept(place, today, rules.WEEKS + TRIED_WEEKS)
    booked = {
        begins: (_booked_then(place, begins), Habits(_kept_of(kept, begins)))
        for begins in (today - timedelta(days=7 * n) for n in range(1, TRIED_WEEKS + 1))
    }
    found = []
    for item in items:
        if item.id not in since:
            continue
        demand = _demand(item.id, past, rules.Booked(), since[item.id])
        then = {begins: needs.of(item.id, habits) for begins, (needs, habits) in booked.items()}
        weeks = rules.past_weeks(demand, then, today=today, weeks=TRIED_WEEKS)
        if weeks:
            found.append(ItemErrors(item=item, weeks=weeks))
    return found


def _booked_then(place: Location, begins: date) -> _Needs:
    span = (local_day(begins, place.zone).start, local_day(begins + timedelta(days=7), place.zone).start)  # fmt: skip
    called_off = VisitChange.objects.filter(
        visit=OuterRef("visit"), kind="cancelled", at__lt=span[0]
    )
    rows = Line.objects.filter(
        visit__location=place,
        visit__starts_at__gte=span[0],
        visit__starts_at__lt=span[1],
        visit__booked_at__lt=span[0],
    )
    standing = rows.exclude(Exists(called_off), visit__state=VisitState.CANCELLED)
    return _recipes(place, standing, without_over=False)


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
