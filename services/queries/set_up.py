"""Reads for the set-up list: a visit's lines, what the client declared, ticks, and a day's lists. Never writes."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from uuid import UUID

from clients.holdings import plain
from clients.queries import health_of, unverified_of_person
from clients.rule_files import shipped_rule_set
from clients.rules.told import KeptItem, standing_items
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import Parameter, ParameterName
from rooms.models import Room
from services.models import Line, LineState, SetUpTick, SkinProduct, Visit, VisitState
from services.queries.intake import unconfirmed
from services.queries.patch_tests import products_of
from services.queries.treatments import last_record_on, wishes_of
from services.rules import set_up as rules
from services.rules.set_up_ticks import Tick, standing
from services.set_up_files import shipped_set_up
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

#: For whom something is still laid out, or was.
SET_UP_FOR = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM, VisitState.LEFT)
_ALLERGY = "allergy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """How wax is drawn at a place, and the parameter that allows it."""

    way: rules.WaxDrawing
    allowed: Parameter


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """One visit's list, which of it the consultation changed, and the last tick of each item."""

    items: tuple[rules.SetUpItem, ...]
    changed: frozenset[str]
    ticks: Mapping[str, Tick]
    drawing: Drawing


@dataclass(frozen=True, slots=True, kw_only=True)
class DayVisit:
    """A visit of the day with its lines in that room, or all of them."""

    visit: Visit
    lines: Sequence[Line]
    set_up: SetUp


def drawing_on(place: Location, day: date) -> Drawing:
    """The house's way of drawing wax, if the jurisdiction allows it on that local day; else the strictest."""
    found = parameters(place.jurisdiction, day)[ParameterName.WAX_DRAWING]
    allowed = [rules.WaxDrawing(way) for way in found.value]
    chosen = rules.WaxDrawing(tenancy.policy_of(place).wax_drawing)
    return Drawing(way=rules.way_of_drawing(chosen, allowed), allowed=found)


def _drawing_for(visit: Visit, place: Location) -> Drawing:
    return drawing_on(place, local_date(visit.starts_at, place.zone))


def for_practitioner(visit: Visit, place: Location) -> SetUp:
    """A visit's list by all that is known of the client. Whoever shows it records the read. Raises `Erased`."""
    lines = to_set_up(lines_of([visit]))
    drawing = _drawing_for(visit, place)
    before, known = allergies_of(visit)
    items = _list(lines, drawing, known)
    return SetUp(
        items=items,
        changed=rules.changed_keys(_list(lines, drawing, before), items),
        ticks=_ticks_of([visit.id])[visit.id],
        drawing=drawing,
    )


def items_of_line(visit: Visit, line: Line, place: Location) -> tuple[rules.SetUpItem, ...]:
    """What the list has for one line of a visit alone, by all that is known of the client. Raises `Erased`."""
    _, known = allergies_of(visit)
    return _list(to_set_up([line]), _drawing_for(visit, place), known)


def for_everybody(visit: Visit, place: Location) -> SetUp:
    """A visit's list with nothing on it that depends on the client's health."""
    return _neutral(
        to_set_up(lines_of([visit])), _drawing_for(visit, place), _ticks_of([visit.id])[visit.id]
    )


def _neutral(
    lines: Sequence[rules.LineToSetUp], drawing: Drawing, ticks: Mapping[str, Tick]
) -> SetUp:
    book = shipped_set_up()
    mine = {key: tick for key, tick in ticks.items() if not by_practitioner(key)}
    return SetUp(
        items=rules.for_everybody(_list(lines, drawing, rules.NOTHING_DECLARED), book),
        changed=frozenset(),
        ticks=mine,
        drawing=drawing,
    )


def _list(
    lines: Sequence[rules.LineToSetUp], drawing: Drawing, allergies: rules.Allergies
) -> tuple[rules.SetUpItem, ...]:
    tree = shipped_rule_set().tree
    return rules.set_up_list(
        shipped_set_up(), tree, lines, drawing=drawing.way, allergies=allergies
    )


def by_practitioner(key: str) -> bool:
    """Whether only who may know what a client declared lays that item out."""
    code = key.partition(":")[0]
    return any(e.by_practitioner for e in shipped_set_up().entries if e.code == code)


def title_of(key: str) -> str:
    """An item's title in general, also where no list has it any more."""
    code = key.partition(":")[0]
    return next((e.title for e in shipped_set_up().entries if e.code == code), code)


def lines_of(visits: Collection[Visit]) -> list[Line]:
    """The lines that are set up for, of visits that are not off, in their order. One statement."""
    ids = [visit.id for visit in visits if visit.state in SET_UP_FOR]
    rows = Line.objects.filter(visit_id__in=ids).exclude(state=LineState.DROPPED)
    joined = rows.select_related("service", "kit", "room", "practitioner")
    return list(joined.order_by("starts_at", "position"))


def to_set_up(lines: Sequence[Line]) -> list[rules.LineToSetUp]:
    """Lines as the rules take them. One statement, for the products of all of them."""
    products = {i: _product(p) for i, p in products_of(lines).items()}
    return [
        rules.LineToSetUp(
            area=line.area,
            method=line.method,
            room_id=line.room_id,
            kit_id=line.kit_id,
            kit_name=line.kit.name if line.kit else "",
            products=tuple(products[i] for i in line.service.skin_product_ids if i in products),
        )
        for line in lines
    ]


def _product(row: SkinProduct) -> rules.SkinProductFacts:
    known = None if row.ingredients is None else frozenset(row.ingredients)
    return rules.SkinProductFacts(id=row.id, name=row.name, ingredients=known)


def allergies_of(visit: Visit) -> tuple[rules.Allergies, rules.Allergies]:
    """What the client had declared before this visit, and what stands now. Raises `Erased`."""
    kept = health_of(visit.client_id, visit.business_id)
    before = [item for item in kept if item.visit_id != visit.id]
    former, now = _allergies(before, None), _allergies(kept, visit.id)
    # What is only said again today was known when things were laid out.
    known = {code: former.known.get(code, since) for code, since in now.known.items()}
    untold = now.untold and (former.untold or now.untold)
    return former, rules.Allergies(known=known, untold=untold)


def _allergies(kept: Sequence[KeptItem], visit_id: UUID | None) -> rules.Allergies:
    known: dict[str, datetime] = {}
    untold: datetime | None = None
    for item, said in standing_items(kept, visit_id, shipped_rule_set().tree):
        if said.kind != _ALLERGY:
            continue
        for code in said.details:
            known.setdefault(code, item.recorded_at)
        if not said.details and untold is None:
            untold = item.recorded_at
    return rules.Allergies(known=known, untold=untold)


def _ticks_of(visit_ids: Collection[UUID]) -> dict[UUID, dict[str, Tick]]:
    found: dict[UUID, list[Tick]] = defaultdict(list)
    for row in SetUpTick.objects.filter(visit_id__in=visit_ids):
        found[row.visit_id].append(tick_of(row))
    return {visit_id: standing(found[visit_id]) for visit_id in visit_ids}


def tick_of(row: SetUpTick) -> Tick:
    """A stored tick as the rules take it."""
    return Tick(
        id=row.id,
        item=row.item,
        count=row.count,
        laid_out=row.laid_out,
        happened_at=row.happened_at,
        recorded_at=row.recorded_at,
        recorded_by=row.recorded_by,
    )


def notes_for(visit: Visit) -> dict[str, Any]:
    """The client's wishes for these areas, the last record there, and what was told and not confirmed.

    Whoever shows it records the read. Raises `Erased`.
    """
    tree = shipped_rule_set().tree
    touched = tree.all_touching(line.area for line in lines_of([visit]))
    wishes = wishes_of(visit.client_id, visit.business_id)
    return {
        "wishes": [wish for wish in wishes if wish["area"] in touched],
        "last_visit": last_record_on(visit, touched),
        "not_confirmed": _not_confirmed(visit),
    }


def _not_confirmed(visit: Visit) -> dict[str, Any]:
    """What nobody confirmed with the client yet: an import's words, and allergies of the intake.

    It changes nothing on the list, but who lays out had better know before the consultation.
    """
    told = [item["content"] for item in unconfirmed(visit) if item["kind"] == "declaration"]
    said = [one for one in told if one["kind"] == _ALLERGY]
    codes = {code for one in said for code in one.get("details") or [rules.UNTOLD]}
    return {"imported": unverified_of_person(visit.client_id), "allergies": sorted(codes)}


def day_at(
    place: Location, day: date, room_id: UUID | None
) -> tuple[list[DayVisit], tuple[rules.SetUpItem, ...]]:
    """The visits that begin on a local day, with what everybody may see of their lists, and all of it together.

    With a room only the lines in it. Four statements, however many visits. Raises `NotFound` for a
    room that is not there.
    """
    if room_id is not None and not Room.objects.filter(id=room_id, location_id=place.id).exists():
        raise NotFound
    span = local_day(day, place.zone)
    rows = Visit.objects.filter(location_id=place.id, state__in=SET_UP_FOR)
    visits = list(
        rows.filter(starts_at__gte=span.start, starts_at__lt=span.end).order_by("starts_at", "id")
    )
    every = [x for x in lines_of(visits) if room_id is None or x.room_id == room_id]
    ticks = _ticks_of([visit.id for visit in visits])
    drawing = drawing_on(place, day)
    by_visit: dict[UUID, list[tuple[Line, rules.LineToSetUp]]] = defaultdict(list)
    for line, facts in zip(every, to_set_up(every), strict=True):
        by_visit[line.visit_id].append((line, facts))
    found = [
        DayVisit(
            visit=visit,
            lines=[line for line, _ in by_visit[visit.id]],
            set_up=_neutral([facts for _, facts in by_visit[visit.id]], drawing, ticks[visit.id]),
        )
        for visit in visits
        if by_visit[visit.id]
    ]
    return found, _totals(found)


def still_needed(
    found: Iterable[DayVisit], together: Iterable[rules.SetUpItem]
) -> list[rules.SetUpItem]:
    """The day's totals with the counts of visits that are not over: what these used is gone already."""
    coming = _totals(one for one in found if one.visit.state != VisitState.LEFT)
    counts = {item.key: item.count for item in coming}
    return [replace(item, count=counts.get(item.key, 0)) for item in together]


def _totals(found: Iterable[DayVisit]) -> tuple[rules.SetUpItem, ...]:
    together = rules.totals((one.lines[0].room_id, one.set_up.items) for one in found)
    order = [entry.code for entry in shipped_set_up().entries]
    sizes = ["", "small", "medium", "large"]
    return tuple(
        sorted(together, key=lambda i: (order.index(i.code), sizes.index(i.size), i.title, i.key))
    )


def exported_ticks(client_id: UUID) -> list[dict[str, Any]]:
    """What was laid out for a client's visits, oldest first, as JSON values."""
    rows = SetUpTick.objects.filter(client_id=client_id).order_by("recorded_at", "id")
    return plain(list(rows.values("id", "visit_id", "item", "count", "laid_out", "happened_at")))
