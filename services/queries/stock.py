"""Reads for the stock of visits: what set-up lists ask of it, what lines used, what is missing. Never writes."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any
from uuid import UUID

from django.db import connection

from clients.rule_files import shipped_rule_set
from rooms.models import StockItem, StockPart
from rooms.queries import stock as rooms_stock
from rooms.rules import stock as stock_rules
from services.models import Line, LineState, LineUse, LineUseDue, SkinProduct, StatedUse
from services.queries.set_up import to_set_up
from services.queries.treatments import OVER
from services.rules import set_up, stock_use
from services.rules.stock_use import Said, Shelf, Stocked
from services.set_up_files import shipped_set_up
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import invalid

#: Lines that are booked in one transaction.
AT_ONCE = 200
_ORDER = ("finished_at", "id")


def shelf() -> Shelf:
    """What is kept of what set-up lists name. One statement."""
    rows = StockItem.objects.filter(part=StockPart.PROFESSIONAL, active=True).order_by("id")
    return Shelf(
        Stocked(
            id=row.id,
            code=row.code,
            size=row.size,
            variant=row.variant,
            skin_product_id=row.skin_product_id,
            uses_each=row.uses_each,
        )
        for row in rows
    )


def flaw_of_name(
    code: str, size: str, variant: str, skin_product_id: UUID | None
) -> tuple[str, str] | None:
    """Which field of a name on set-up lists is wrong and why, or None where some list may have it."""
    entries = [entry for entry in shipped_set_up().entries if entry.code == code]
    is_product = any(entry.count is set_up.Count.PRODUCT for entry in entries)
    if code and (not entries or all(e.count is set_up.Count.KIT for e in entries)):
        return "code", "is no code of the set-up list's items"
    if size and not any(entry.is_sized for entry in entries):
        return "size", "is of nothing that comes in sizes"
    if variant and not any(variant == x.variant for e in entries for x in e.instead.values()):
        return "variant", "is none of this item"
    if skin_product_id is None:
        return ("skin_product_id", "must name the product that it is") if is_product else None
    if code and not is_product:
        return "skin_product_id", "is for products of the price list alone"
    if not SkinProduct.objects.filter(id=skin_product_id).exists():
        return "skin_product_id", "names a product that is not there"
    return None


#: Lines as far as a recipe tells them apart, how wax is drawn -> what they use.
Known = dict[tuple[tuple[set_up.LineToSetUp, ...], set_up.WaxDrawing], dict[UUID, Decimal]]


def recipe(
    lines: Sequence[set_up.LineToSetUp],
    way: set_up.WaxDrawing,
    items: Shelf,
    known: Known | None = None,
) -> dict[UUID, Decimal]:
    """What lines of one visit use up by the set-up list, with nothing that a client declared in it.

    Otherwise a movement of stock would tell what they did; what was really used their record says.
    `known` keeps what was found for these items, for who asks of many visits.
    """
    numbers = {room: UUID(int=n) for n, room in enumerate(dict.fromkeys(x.room_id for x in lines))}
    alike = tuple(replace(x, room_id=numbers[x.room_id], kit_id=None, kit_name="") for x in lines)
    known = {} if known is None else known
    if (alike, way) not in known:
        known[alike, way] = stock_use.recipe(_list(alike, way), items)
    return known[alike, way]


# A day's visits are mostly of a few kinds.
@lru_cache(maxsize=4096)
def _list(
    lines: tuple[set_up.LineToSetUp, ...], way: set_up.WaxDrawing
) -> tuple[set_up.SetUpItem, ...]:
    return set_up.set_up_list(shipped_set_up(), shipped_rule_set().tree, lines, drawing=way)


@dataclass(frozen=True, slots=True, kw_only=True)
class InStock:
    """How much may be used of what a row needs, in its unit, and for how many there is not enough."""

    available: Decimal
    missing: int


def in_stock(rows: Iterable[set_up.SetUpItem], location_id: UUID, on: date) -> dict[str, InStock]:
    """For each row of a set-up list that is kept in stock, by key, how the stock stands. Two statements."""
    items = shelf()
    found = {row.key: (row, item) for row in rows if (item := items.item_of(row)) is not None}
    held = rooms_stock.available(location_id, {item.id for _, item in found.values()}, on)
    return {
        key: InStock(
            available=held[item.id],
            missing=0
            if row.is_struck
            else stock_rules.missing(row.count, item.uses_each, held[item.id]),
        )
        for key, (row, item) in found.items()
    }


def take_turn(location_id: UUID) -> bool:
    """Whether this transaction is the one that books uses of a location; the others leave it to that one."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_try_advisory_xact_lock(hashtextextended(%s, 0))", [f"uses {location_id}"]
        )
        return bool(cursor.fetchone()[0])


def due_lines(location_id: UUID) -> list[LineUseDue]:
    """Lines of a location whose use is to be booked, the longest due first, up to AT_ONCE."""
    rows = LineUseDue.objects.filter(location_id=location_id).order_by("id")
    return list(rows.select_related("line")[:AT_ONCE])


def lines_with_use(visit_ids: Collection[UUID]) -> list[Line]:
    """All lines of visits that are over, or of which some use stands, with what their recipe needs."""
    rows = Line.objects.filter(visit_id__in=visit_ids).exclude(state=LineState.DROPPED)
    return list(rows.select_related("service", "visit__location", "kit").order_by("visit_id", "id"))


def planned_uses(
    lines: Sequence[Line], ways: Mapping[UUID, set_up.WaxDrawing], items: Shelf
) -> dict[UUID, dict[UUID, Decimal]]:
    """For each line that is over, what it added to what its visit had used when it ended. One statement.

    `ways`: how wax is drawn at each visit. Keyed by line.
    """
    over = sorted((x for x in lines if x.state in OVER), key=lambda x: (x.finished_at, x.id))
    by_visit: dict[UUID, list[tuple[Line, set_up.LineToSetUp]]] = defaultdict(list)
    for line, facts in zip(over, to_set_up(over), strict=True):
        by_visit[line.visit_id].append((line, facts))
    found = {}
    for visit_id, ended in by_visit.items():
        before: dict[UUID, Decimal] = {}
        for n, (line, _) in enumerate(ended):
            after = recipe([facts for _, facts in ended[: n + 1]], ways[visit_id], items)
            found[line.id] = stock_use.added(before, after)
            before = after
    return found


def said_of(line_ids: Collection[UUID]) -> dict[UUID, list[Said]]:
    """What work records say of the stock, by line. One statement."""
    rows = StatedUse.objects.filter(line_id__in=line_ids).select_related("record")
    ordered = sorted(rows, key=lambda r: (r.record.recorded_at, r.record_id))
    places = {record: n for n, record in enumerate(dict.fromkeys(r.record_id for r in ordered))}
    found: dict[UUID, list[Said]] = defaultdict(list)
    for row in ordered:
        found[row.line_id].append(
            Said(
                place=places[row.record_id],
                item_id=row.item_id,
                code=row.code,
                lot_id=row.lot_id,
                container_id=row.container_id,
                amount=row.amount,
            )
        )
    return found


def stood_for(
    lines: Iterable[Line], item_ids: Collection[UUID]
) -> dict[UUID, dict[UUID, list[stock_rules.Stood]]]:
    """For each location of ended lines what of these items stood open then, by item. One statement a location."""
    spans: dict[UUID, tuple[datetime, datetime]] = {}
    for line in lines:
        if line.finished_at is None:
            continue
        place = line.visit.location_id
        began, ended = line.started_at or line.finished_at, line.finished_at
        first, last = spans.get(place, (began, ended))
        spans[place] = (min(first, began), max(last, ended))
    return {
        place: rooms_stock.stood_open(place, item_ids, since, until)
        for place, (since, until) in spans.items()
    }


def with_lots(
    line: Line, found: Iterable[stock_use.Use], stood: Mapping[UUID, Sequence[stock_rules.Stood]]
) -> dict[tuple[UUID, UUID | None, UUID | None], stock_use.Use]:
    """The uses of an ended line by (item, lot, open container): as stated, else as what stood open tells.

    Amounts of 0 are kept where a lot is known: it may have touched the client.
    """
    assert line.finished_at is not None  # noqa: S101
    zone = line.visit.location.zone
    kept: dict[tuple[UUID, UUID | None, UUID | None], stock_use.Use] = {}
    for use in found:
        lots: list[tuple[UUID | None, UUID | None]] = [(use.lot_id, use.container_id)]
        there = stood.get(use.item_id, ())
        if use.container_id is None and use.lot_id is not None:
            # Somebody read that lot off it, so it stood there, whatever its date.
            of_lot = [x for x in there if x.lot_id == use.lot_id and _is_at(x, line)]
            lots = [(use.lot_id, of_lot[0].container_id if of_lot else None)]
        elif use.container_id is None:
            touched = stock_rules.touched_by(
                there,
                room_id=line.room_id,
                began_at=line.started_at or line.finished_at,
                ended_at=line.finished_at,
                on=local_date(line.finished_at, zone),
            )
            lots = [(x.lot_id, x.container_id) for x in touched] or lots
        for n, (lot, container) in enumerate(lots):
            quantity = use.quantity if n == 0 else Decimal(0)
            if quantity or lot or container:
                key = (use.item_id, lot, container)
                former = kept.get(key)
                together = quantity + (former.quantity if former else Decimal(0))
                kept[key] = replace(
                    use, quantity=together, lot_id=lot, container_id=container,
                    stated=use.stated or (former is not None and former.stated),
                )  # fmt: skip
    return kept


def _is_at(one: stock_rules.Stood, line: Line) -> bool:
    ended = line.finished_at
    return (
        ended is not None
        and one.room_id in {line.room_id, None}
        and one.from_at <= ended
        and (one.until_at is None or one.until_at > (line.started_at or ended))
    )


def uses_of(line_ids: Collection[UUID]) -> list[LineUse]:
    """What lines used, as it stands or stood. One statement."""
    return list(LineUse.objects.filter(line_id__in=line_ids).order_by("id"))


def stated(
    said: Sequence[Mapping[str, Any]], location_id: UUID, actor: Actor
) -> list[dict[str, Any]]:
    """What a record says was used, as columns: the item follows from container or lot.

    Raises `NotFound`, `InvalidInput` for what names nothing, or things that do not go together.
    """
    found = []
    for n, one in enumerate(said):
        pointer = f"/used/{n}"
        item_id, lot_id, container_id = (
            one.get(name) for name in ("item_id", "lot_id", "container_id")
        )
        if container_id is not None:
            container = rooms_stock.any_container(container_id, location_id, actor)
            _same(pointer, item_id, container.item_id)
            _same(pointer, lot_id, container.lot_id)
            item_id, lot_id = container.item_id, container.lot_id
        elif lot_id is not None:
            lot = rooms_stock.any_lot(lot_id, location_id, actor)
            _same(pointer, item_id, lot.item_id)
            item_id = lot.item_id
        elif item_id is None:
            raise invalid(pointer, "must name a container, a lot or an item", "required")
        item = rooms_stock.item_of(item_id, actor)
        if item.part != StockPart.PROFESSIONAL:
            raise invalid(pointer, "is retail stock, which is not used on clients", "mismatch")
        found.append(
            {"item_id": item_id, "lot_id": lot_id, "container_id": container_id, "amount": one.get("amount")}
        )  # fmt: skip
    return found


def _same(pointer: str, said: UUID | None, known: UUID | None) -> None:
    if said is not None and said != known:
        raise invalid(pointer, "names things that do not go together", "mismatch")
