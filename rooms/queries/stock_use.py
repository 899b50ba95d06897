"""What was used of the stock: at a count against the lines' recipes, and day by day. Never writes."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID

from django.db import connection

from rooms.models import StockMovement
from rooms.rules import stock as rules

_LAST_TWO = """
SELECT i.id, n.id, n.lot_id, n.counted_at, n.expected, n.counted, n.counted_by, p.counted_at,
       coalesce(m.recipe, 0), coalesce(m.over, 0)
FROM rooms_stock_item i
JOIN LATERAL (
    SELECT * FROM rooms_stock_count c WHERE c.location_id = %(place)s AND c.item_id = i.id
      AND c.counted_at >= %(start)s AND c.counted_at < %(end)s
    ORDER BY c.counted_at DESC, c.id DESC LIMIT 1
) n ON true
LEFT JOIN LATERAL (
    SELECT c.counted_at FROM rooms_stock_count c WHERE c.location_id = %(place)s AND c.item_id = i.id
      AND c.lot_id IS NOT DISTINCT FROM n.lot_id AND (c.counted_at, c.id) < (n.counted_at, n.id)
    ORDER BY c.counted_at DESC, c.id DESC LIMIT 1
) p ON true
LEFT JOIN LATERAL (
    SELECT -sum(v.quantity) FILTER (WHERE v.kind = 'used') AS recipe,
           -sum(v.quantity) FILTER (WHERE v.kind = 'counted') AS over
    FROM rooms_stock_movement v WHERE v.location_id = %(place)s AND v.item_id = i.id
      AND (n.lot_id IS NULL OR v.lot_id = n.lot_id)
      AND v.kind IN ('used', 'counted') AND v.happened_at <= n.counted_at
      AND (p.counted_at IS NULL OR v.happened_at > p.counted_at)
) m ON true
WHERE i.part = 'professional'
ORDER BY i.name, i.id
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedUse:
    """The last count of an item in a span of time, and the use since the one before it."""

    item_id: UUID
    count_id: UUID
    lot_id: UUID | None
    counted_at: datetime
    counted_by: UUID | None
    #: The count before, of the same lot or of all; None: since stock is kept.
    since: datetime | None
    expected: Decimal
    counted: Decimal
    use: rules.UseAgainstRecipe


def counted_use(location_id: UUID, start: datetime, end: datetime) -> list[CountedUse]:
    """Use against recipe at the last count in [start, end) of each professional item, by name. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(_LAST_TWO, {"place": location_id, "start": start, "end": end})
        rows = cursor.fetchall()
    return [
        CountedUse(
            item_id=item,
            count_id=count,
            lot_id=lot,
            counted_at=at,
            counted_by=by,
            since=since,
            expected=expected,
            counted=counted,
            use=rules.UseAgainstRecipe(recipe=recipe, actual=recipe + over),
        )
        for item, count, lot, at, expected, counted, by, since, recipe, over in rows
    ]


_DAILY = """
WITH single AS (
    SELECT item_id, (happened_at AT TIME ZONE %(zone)s)::date AS day, kind = 'counted' AS counted,
           -sum(quantity) AS amount
    FROM rooms_stock_movement
    WHERE location_id = %(place)s AND happened_at >= %(since)s AND kind IN ('used', 'sold', 'counted')
    GROUP BY 1, 2, 3, coalesce(line_id, id)
)
SELECT item_id, day, sum(amount) FILTER (WHERE NOT counted), sum(amount * amount) FILTER (WHERE NOT counted),
       sum(amount) FILTER (WHERE counted)
FROM single GROUP BY 1, 2
"""


@dataclass(slots=True)
class DailyUse:
    """An item's past: by local day what lines used and the desk sold, and what counts found gone besides.

    `squares`: the sum of the squares of each line's or sale's amount, which tells how chance has it.
    """

    used: dict[date, Decimal]
    squares: dict[date, Decimal]
    counted_away: Decimal


def daily_use(location_id: UUID, zone: str, since: datetime) -> dict[UUID, DailyUse]:
    """What was used of each item at a location since then. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(_DAILY, {"place": location_id, "zone": zone, "since": since})
        rows = cursor.fetchall()
    found: dict[UUID, DailyUse] = {}
    for item_id, day, used, squares, counted in rows:
        one = found.setdefault(item_id, DailyUse({}, {}, Decimal(0)))
        if used:
            one.used[day], one.squares[day] = used, squares
        one.counted_away += counted or Decimal(0)
    return found


_FIRST = """
SELECT i.id, m.happened_at FROM rooms_stock_item i JOIN LATERAL (
    SELECT happened_at FROM rooms_stock_movement v WHERE v.location_id = %s AND v.item_id = i.id
    ORDER BY happened_at LIMIT 1
) m ON true
"""


def first_moved(location_id: UUID) -> dict[UUID, datetime]:
    """Since when stock of each item is kept at a location. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(_FIRST, [location_id])
        return dict(cursor.fetchall())


_COUNTS = """
SELECT r.id, (
    SELECT min(n.counted_at) FROM rooms_stock_count n
    WHERE n.location_id = r.place AND n.item_id = r.item AND (n.lot_id IS NULL OR n.lot_id = r.lot)
      AND (n.counted_at > r.at OR n.counted_at = r.at AND r.kind <> 'counted')
)
FROM unnest(%s::uuid[], %s::uuid[], %s::uuid[], %s::uuid[], %s::timestamptz[], %s::text[])
    AS r(id, place, item, lot, at, kind)
"""


def first_counts_after(rows: Sequence[StockMovement]) -> dict[UUID, datetime]:
    """For each movement that a count had seen already when it was recorded, the time of the first such.

    A count of the item, or of the movement's lot. One statement, none without rows.
    """
    if not rows:
        return {}
    columns = ("id", "location_id", "item_id", "lot_id", "happened_at", "kind")
    with connection.cursor() as cursor:
        cursor.execute(_COUNTS, [[getattr(row, name) for row in rows] for name in columns])
        return {row_id: at for row_id, at in cursor.fetchall() if at is not None}
