"""What visits use of the stock: noted when a line ends, booked soon after, once, and anew when corrected.

Ending a line adds one small row and waits for nobody. Booking works on the rows of one location at a
time; its movements are inserts.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from rooms import actions as rooms
from rooms.registry import SET_UP_NAME_CHECKS
from services.models import Line, LineUse, LineUseDue, StatedUse, Visit, WorkRecord
from services.queries import stock as queries
from services.queries.set_up import drawing_on
from services.queries.treatments import OVER
from services.rules import stock_use
from services.rules.stock_use import APPLICATORS, Shelf, Use
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action

_Key = tuple[UUID, UUID | None, UUID | None]


def use_due(line: Line, visit: Visit, now: datetime) -> LineUseDue:
    """A row that has the sweep book what a line used; not yet inserted."""
    return LineUseDue(
        business_id=visit.business_id, line_id=line.id, location_id=visit.location_id, since=now
    )


def keep_stated(
    actor: Actor, line: Line, visit: Visit, row: WorkRecord, record: Mapping[str, Any]
) -> bool:
    """Keep what a record of work says was used of the stock; gives whether it says anything.

    Apart from the sealed record, because lots are traced by it: it holds ids and amounts, no words.
    Raises `NotFound`, `InvalidInput`.
    """  # fmt: skip
    found = queries.stated(record.get("used") or (), visit.location_id, actor)
    if record.get("applicators") is not None:
        found.append({"code": APPLICATORS, "amount": Decimal(record["applicators"])})
    if found:
        insert(
            [
                StatedUse(business_id=visit.business_id, line_id=line.id, record_id=row.id, **one)
                for one in found
            ]
        )
    return bool(found)


@action
def book_uses(*, actor: Actor, now: datetime, location_id: UUID) -> int:
    """Book what lines of a location used that are due, up to AT_ONCE; gives how many.

    What a line used is derived from the visit as it stands now, and only what differs from what was
    booked before is moved: a repeat moves nothing, a correction moves the difference. One at a time
    for each location; whoever comes second leaves it to the first. Killed, all of it is still due.
    """
    if not queries.take_turn(location_id):
        return 0
    due = queries.due_lines(location_id)
    if due:
        _book(actor, now, sorted({row.line.visit_id for row in due}))
        LineUseDue.objects.filter(id__in=[row.id for row in due]).delete()
    return len(due)


def _book(actor: Actor, now: datetime, visit_ids: Sequence[UUID]) -> None:
    items = queries.shelf()
    lines = queries.lines_with_use(visit_ids)
    by_id = {line.id: line for line in lines}
    ways = {}
    for line in lines:
        if line.visit_id not in ways:
            place = line.visit.location
            day = local_date(line.visit.starts_at, place.zone)
            ways[line.visit_id] = drawing_on(place, day).way
    planned = queries.planned_uses(lines, ways, items)
    said = queries.said_of(by_id)
    stood = queries.stood_for(lines, list(items.by_id))
    wanted: dict[UUID, Mapping[_Key, Use]] = {
        line.id: queries.with_lots(
            line,
            stock_use.uses(planned.get(line.id, {}), said.get(line.id, ()), items),
            stood[line.visit.location_id],
        )
        for line in lines
        if line.state in OVER
    }
    _move(actor, now, by_id, wanted, items)


def _move(
    actor: Actor,
    now: datetime,
    lines: Mapping[UUID, Line],
    wanted: Mapping[UUID, Mapping[_Key, Use]],
    items: Shelf,
) -> None:
    former = {(x.line_id, (x.item_id, x.lot_id, x.container_id)): x for x in queries.uses_of(lines)}
    new, changed, movements = [], [], []
    for line_id, line in lines.items():
        asked = wanted.get(line_id, {})
        # What was used of an item that was retired since stays as it is, while the line stands.
        before = {
            key: row
            for (of, key), row in former.items()
            if of == line_id and (key[0] in items.by_id or line_id not in wanted)
        }
        for key in [*asked, *(k for k in before if k not in asked)]:
            use, row = asked.get(key), before.get(key)
            was = row.quantity if row else Decimal(0)
            if row is None:
                row = LineUse(
                    business_id=line.business_id, line_id=line_id, quantity=Decimal(0), stated=False,
                    stands=False, **dict(zip(("item_id", "lot_id", "container_id"), key, strict=True)),
                )  # fmt: skip
                new.append(row)
            else:
                changed.append(row)
            row.quantity = use.quantity if use else Decimal(0)
            row.stated, row.stands = use is not None and use.stated, use is not None
            if row.quantity != was:
                movements.append(_movement(line, row, row.quantity - was, now))
    if new:
        insert(new)
    if changed:
        LineUse.objects.bulk_update(changed, ["quantity", "stated", "stands"])
    rooms.book_line_uses(actor=actor, now=now, uses=movements)


def _movement(line: Line, row: LineUse, used: Decimal, now: datetime) -> Any:
    return rooms.movement_of_line(
        business_id=line.business_id,
        location_id=line.visit.location_id,
        line_id=line.id,
        item_id=row.item_id,
        lot_id=row.lot_id,
        container_id=row.container_id,
        used=used,
        happened_at=line.finished_at or now,
        recorded_at=now,
        recorded_by=line.practitioner_id,
    )


def register_names() -> None:
    """Let an item of the stock be called only what some set-up list calls it."""
    SET_UP_NAME_CHECKS.append(queries.flaw_of_name)
