"""Reads of opening and closing lists: rows, ticks, what the program knows of them, what is due. Never writes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from compliance.disinfection.models import Solution, StripReading
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import CAUTION, HOUSE_DEFAULT, Parameter, ParameterName
from rooms.models import CheckList, CheckTick, EquipmentEntry, Room
from rooms.queries import effective_state
from rooms.queries import equipment as kept
from rooms.rules import check_lists as rules
from rooms.rules import equipment as care
from rooms.rules.check_lists import Known, ListItem, ListKind, Row, RowState
from rooms.rules.equipment import LogKind
from rooms.rules.turnover import RoomState
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods

_PARAMETER = {
    ListKind.OPENING: ParameterName.OPENING_LIST,
    ListKind.CLOSING: ParameterName.CLOSING_LIST,
}
#: A list is looked at, and ticked late, for so many days (house policy).
MOST_DAYS_BACK = 366


def items_on(place: Location, kind: ListKind, on: date) -> tuple[Parameter, tuple[ListItem, ...]]:
    """The items of a list that hold at a location on a day: the house's, with its jurisdiction's own."""
    found = parameters(place.jurisdiction, on)[_PARAMETER[kind]]
    house = parameters(HOUSE_DEFAULT, on)[_PARAMETER[kind]]
    return found, rules.items_from(house.value, () if found.is_house else found.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the program knows of a row: whether it is as it must be, and a few words; None: nothing."""

    met: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayList:
    """A list of a day with everything beside it. `row`: None as long as nothing was ticked."""

    place: Location
    kind: ListKind
    day: date
    parameter: Parameter
    rows: tuple[Row, ...]
    ticks: Mapping[str, rules.Tick]
    #: Only of today's list, if asked for: of a past day nothing is known any more.
    known: Mapping[str, Said]
    row: CheckList | None


def day_list(
    place: Location, kind: ListKind, day: date, now: datetime, *, with_known: bool = True
) -> DayList:
    """A location's list of a local day. A fixed number of statements, few without what is known."""
    parameter, items = items_on(place, kind, day)
    rooms = list(Room.objects.filter(location=place).order_by("name", "id"))
    pieces = kept.on_file(place.id)
    things = [
        *(rules.Thing(id=room.id, per=rules.ROOM, name=room.name) for room in rooms),
        *(rules.Thing(id=one.id, per=one.kind, name=one.name) for one in pieces),
    ]
    rows = rules.rows_of(items, things)
    row = CheckList.objects.filter(location=place, kind=kind.value, day=day).first()
    is_today = day == local_date(now, place.zone)
    return DayList(
        place=place,
        kind=kind,
        day=day,
        parameter=parameter,
        rows=rows,
        ticks=rules.standing(_ticks(row)) if row else {},
        known=_known(place, rows, rooms, now) if with_known and is_today else {},
        row=row,
    )


def _ticks(row: CheckList) -> list[rules.Tick]:
    return [tick_of(tick) for tick in CheckTick.objects.filter(check_list=row)]


def tick_of(tick: CheckTick) -> rules.Tick:
    """A stored tick as the rules take it."""
    return rules.Tick(
        id=tick.id,
        key=tick.item,
        done=tick.done,
        number=tick.number,
        happened_at=tick.happened_at,
        recorded_at=tick.recorded_at,
        recorded_by=tick.recorded_by,
        contradicted=tick.contradicted,
    )


def _known(
    place: Location, rows: Iterable[Row], rooms: Sequence[Room], now: datetime
) -> dict[str, Said]:
    facts = _Facts(
        place=place,
        now=now,
        rooms={room.id: room for room in rooms},
        baths=list(Solution.objects.filter(location=place, ended_at=None)),
        pots={state.equipment.id: state for state in kept.pots_of(place, now)},
        pieces={one.equipment.id: one for one in kept.care_states(place, now)},
        today=_logged_today(place, now),
        strips=_strips_today(place, now),
    )
    found = {row.key: _said(row, facts) for row in rows if row.item.known}
    return {key: said for key, said in found.items() if said is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Facts:
    place: Location
    now: datetime
    rooms: Mapping[UUID, Room]
    baths: Sequence[Solution]
    pots: Mapping[UUID, kept.PotState]
    pieces: Mapping[UUID, kept.CareState]
    today: set[tuple[UUID, str]]
    #: Baths of which a strip was read on this local day.
    strips: set[UUID]


def _strips_today(place: Location, now: datetime) -> set[UUID]:
    start = local_day(local_date(now, place.zone), place.zone).start
    rows = StripReading.objects.filter(location=place, read_at__gte=start, read_at__lte=now)
    return set(rows.values_list("solution_id", flat=True))


def _logged_today(place: Location, now: datetime) -> set[tuple[UUID, str]]:
    """(piece, what) of what was logged on this local day and stands."""
    ids = [one.id for one in kept.on_file(place.id)]
    today = local_date(now, place.zone)
    logs = kept.standing_entries(ids, now - timedelta(days=2), now)
    entries: list[EquipmentEntry] = [entry for log in logs.values() for entry in log]
    return {
        (entry.equipment_id, entry.kind)
        for entry in entries
        if local_date(entry.happened_at, place.zone) == today
    }


def _said(row: Row, facts: _Facts) -> Said | None:
    match row.item.known:
        case Known.FRESH_BATHS:
            return _fresh(facts)
        case Known.STRIPS_READ:
            unread = [bath for bath in facts.baths if bath.id not in facts.strips]
            return Said(met=not unread, says=_named("not read", unread) or "each was read")
        case Known.BATHS_DUMPED:
            over = [bath for bath in facts.baths if bath.discard_at <= facts.now]
            return Said(met=not over, says=_named("over", over) or "none is over")
        case Known.LICENCE_VALID:
            through = facts.place.licence_valid_through
            valid = through is not None and local_date(facts.now, facts.place.zone) <= through
            return Said(met=valid, says=f"valid through {through}") if through else None
        case Known.ROOM_AT_REST if row.subject_id:
            return _at_rest(facts.rooms[row.subject_id], facts.now)
        case Known.POT_READY | Known.POT_OFF if row.subject_id:
            return _pot(row.item.known, facts.pots[row.subject_id], facts)
        case _ if row.subject_id:
            return _piece(row.item.known, row.subject_id, facts)
    return None


def _fresh(facts: _Facts) -> Said:
    over = [bath for bath in facts.baths if bath.discard_at <= facts.now or bath.voided_at]
    good = [b for b in facts.baths if b not in over and b.pour == "ok"]
    if over:
        return Said(met=False, says=_named("over", over))
    return Said(met=bool(good), says=_named("in use", good) or "none is mixed")


def _named(word: str, baths: Sequence[Solution]) -> str:
    names = ", ".join(sorted(bath.container for bath in baths)[:10])
    return f"{word}: {names}" if names else ""


def _at_rest(room: Room, now: datetime) -> Said:
    state = effective_state(room, now)
    # Ready lapses at closing: it was ready when the day ended.
    lapsed = state is RoomState.NEEDS_TURNOVER and room.ready_until is not None
    met = lapsed or state in {RoomState.READY, RoomState.OUT_OF_USE}
    return Said(met=met, says="turned over, and not used since" if lapsed else state.value)


def _pot(known: Known | None, state: kept.PotState, facts: _Facts) -> Said:
    if known is Known.POT_READY:
        return Said(
            met=state.why_not is None, says=state.why_not.value if state.why_not else "in range"
        )
    zone = facts.place.zone
    hot = state.pot.reading is not None and local_date(state.pot.reading.at, zone) == local_date(
        facts.now, zone
    )
    return Said(met=not hot, says="measured since it was last off" if hot else "off")


def _piece(known: Known | None, piece_id: UUID, facts: _Facts) -> Said | None:
    def logged(*kinds: LogKind) -> bool:
        return any((piece_id, kind.value) in facts.today for kind in kinds)

    state = facts.pieces[piece_id]
    if known is Known.WARMER_OPEN:
        met = logged(LogKind.LEFT_OPEN) and logged(LogKind.DISINFECTED, LogKind.IDLE_DAY)
        return Said(met=met, says="logged" if met else "not logged today")
    if known is Known.BASIN_DONE:
        met = logged(LogKind.END_OF_DAY, LogKind.IDLE_DAY)
        return Said(met=met, says="logged" if met else "not logged today")
    if known is Known.BOX_NOT_FULL:
        met = care.Flaw.BOX_FULL not in state.flaws
        return Said(met=met, says="not called full" if met else "full")
    through = state.equipment.in_date_through
    if known is Known.IN_DATE and through is not None:
        met = care.Flaw.OUT_OF_DATE not in state.flaws
        return Said(met=met, says=f"in date through {through}")
    return None


def list_view(found: DayList) -> dict[str, Any]:
    """A list for whoever goes through it."""
    by_state = rules.keys_by_state(found.rows, found.ticks)
    row = found.row
    signer = row.signed_off_by if row else None
    who = {t.recorded_by for t in found.ticks.values()} | {signer}
    names = tenancy.person_names({person for person in who if person})
    return {
        "location_id": found.place.id,
        "kind": found.kind.value,
        "day": found.day,
        "check_list_id": row.id if row else None,
        "due_at": due_at(found.place, found.kind, found.day),
        "pack": found.parameter.pack,
        "note": found.parameter.note,
        "caution": CAUTION,
        "complete": rules.is_complete(found.rows, found.ticks),
        "signed_off_at": row.signed_off_at if row else None,
        "signed_off_by": signer,
        "signed_off_by_name": names.get(signer, "") if signer else "",
        "counts": {state.value: len(keys) for state, keys in by_state.items()},
        "items": [_row_view(one, found, names) for one in found.rows],
    }


def _row_view(row: Row, found: DayList, names: Mapping[UUID, str]) -> dict[str, Any]:
    tick, said = found.ticks.get(row.key), found.known.get(row.key)
    return {
        "item": row.key,
        "code": row.item.code,
        "title": row.item.title,
        "name": row.name,
        "subject_id": row.subject_id,
        "asks": row.item.asks.value,
        "unit": row.item.unit,
        "citation": row.item.citation,
        "strength": row.item.strength,
        "known": None if said is None else {"met": said.met, "says": said.says},
        "state": rules.state_of(tick).value,
        "number": None if tick is None or tick.number is None else str(tick.number),
        "ticked_at": tick.happened_at if tick else None,
        "ticked_by": tick.recorded_by if tick else None,
        "ticked_by_name": names.get(tick.recorded_by, "") if tick and tick.recorded_by else "",
    }


def due_at(place: Location, kind: ListKind, day: date) -> datetime | None:
    """When a day's list is to be done: by opening, or so long after closing; None: it does not open then.

    How long is house policy.
    """
    house = tenancy.policy_of(place)
    periods = open_periods(place.opening_hours, place.zone, day, house.closed_on_holidays_of)
    if not periods:
        return None
    if kind is ListKind.OPENING:
        within = timedelta(minutes=house.opening_list_within_minutes)
        return min(period.start for period in periods) + within
    within = timedelta(minutes=house.closing_list_within_minutes)
    return max(period.end for period in periods) + within


def closing_at(place: Location, day: date) -> datetime:
    """The last closing of a local day; its midnight where it does not open then."""
    holidays = tenancy.policy_of(place).closed_on_holidays_of
    periods = open_periods(place.opening_hours, place.zone, day, holidays)
    return max((period.end for period in periods), default=local_day(day, place.zone).end)


@dataclass(frozen=True, slots=True, kw_only=True)
class DueList:
    """A list that is not done: `open_rows` are blank or not done."""

    kind: ListKind
    day: date
    due_at: datetime
    open_rows: int


def lists_due(location_id: UUID, now: datetime) -> list[DueList]:
    """The lists of today and yesterday that are not done or signed off yet, due already or today, oldest first.

    An opening list is asked for until the day ends, a closing list until the next day's opening
    list is due. Of a kind of list that was never begun at the location nothing is due: a house
    keeps lists from its first tick on.
    """
    place = Location.objects.get(id=location_id)
    today = local_date(now, place.zone)
    found = []
    for kind in ListKind:
        if not CheckList.objects.filter(location=place, kind=kind.value).exists():
            continue
        for day in (today - timedelta(days=1), today):
            due = due_at(place, kind, day)
            if due is not None and now < _asked_until(place, kind, day):
                listed = day_list(place, kind, day, now, with_known=False)
                open_rows = _open_rows(listed)
                if open_rows:
                    found.append(DueList(kind=kind, day=day, due_at=due, open_rows=open_rows))
    return sorted(found, key=lambda one: one.due_at)


def _open_rows(listed: DayList) -> int:
    if listed.row is not None and listed.row.signed_off_at is not None:
        return 0
    by_state = rules.keys_by_state(listed.rows, listed.ticks)
    return len(by_state[RowState.BLANK]) + len(by_state[RowState.NOT_DONE])


def _asked_until(place: Location, kind: ListKind, day: date) -> datetime:
    if kind is ListKind.OPENING:
        closing = due_at(place, ListKind.CLOSING, day)
        assert closing is not None  # noqa: S101 - a day that opens closes
        return closing
    later = (due_at(place, ListKind.OPENING, day + timedelta(days=n)) for n in range(1, 8))
    next_opening = next((at for at in later if at is not None), None)
    closed = due_at(place, kind, day)
    assert closed is not None  # noqa: S101 - as above
    return next_opening or closed + timedelta(days=7)


def done_at(location_id: UUID, kind: ListKind, day: date) -> datetime | None:
    """When a day's list was done: signed off, or with its last row; None: it was not."""
    row = CheckList.objects.filter(location_id=location_id, kind=kind.value, day=day).first()
    if row is None:
        return None
    if row.signed_off_at is not None:
        return row.signed_off_at
    listed = day_list(row.location, kind, day, row.begun_at, with_known=False)
    if not rules.is_complete(listed.rows, listed.ticks):
        return None
    return max(tick.happened_at for tick in listed.ticks.values())
