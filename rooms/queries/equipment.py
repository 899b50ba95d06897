"""Reads of equipment and its log: where each piece stands, and what of its care is due. Never writes."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import partial
from uuid import UUID

from django.db.models import Q

from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import Parameter, ParameterName
from rooms.models import Equipment, EquipmentEntry, EquipmentStrike
from rooms.problems import PotNotReady
from rooms.rules import equipment as rules
from rooms.rules import wax
from rooms.rules.equipment import EquipmentKind, Flaw, LogKind
from rooms.rules.linen import WashWay, ways_from
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import is_open, open_periods

#: A pot may stand full for long, but what is in it is looked for no further back.
LOOK_BACK = timedelta(days=366)


def on_file(location_id: UUID, *kinds: EquipmentKind) -> list[Equipment]:
    """The equipment of a location that was not retired, by kind and name; all kinds unless named."""
    rows = Equipment.objects.filter(location_id=location_id, retired_at=None)
    if kinds:
        rows = rows.filter(kind__in=kinds)
    return list(rows.order_by("kind", "name", "id"))


def standing_entries(
    ids: Collection[UUID], since: datetime, until: datetime | None = None
) -> dict[UUID, list[EquipmentEntry]]:
    """For each piece what was logged since and not struck out, as it happened. One statement."""
    struck = EquipmentStrike.objects.values("entry_id")
    rows = EquipmentEntry.objects.filter(equipment_id__in=ids, happened_at__gte=since)
    if until is not None:
        rows = rows.filter(happened_at__lte=until)
    found: dict[UUID, list[EquipmentEntry]] = defaultdict(list)
    for row in rows.exclude(id__in=struck).order_by("happened_at", "recorded_at", "id"):
        found[row.equipment_id].append(row)
    return found


def pot_entry(row: EquipmentEntry) -> wax.PotEntry:
    """A stored entry of a pot as the rules take it."""
    return wax.PotEntry(
        id=row.id,
        kind=LogKind(row.kind),
        at=row.happened_at,
        recorded_at=row.recorded_at,
        celsius=row.celsius,
        filling=_filling(row) if row.kind == LogKind.FILLED else None,
    )


def _filling(row: EquipmentEntry) -> wax.Filling:
    said = row.said
    use_by = said.get("use_by")
    return wax.Filling(
        id=row.id,
        product=said["product"],
        lot=said.get("lot", ""),
        lowest=Decimal(said["lowest_celsius"]),
        highest=Decimal(said["highest_celsius"]),
        use_by=date.fromisoformat(use_by) if use_by else None,
    )


def pot_of(rows: Iterable[EquipmentEntry]) -> wax.Pot:
    """Where a pot stands after these entries."""
    return wax.pot_after(pot_entry(row) for row in rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class PotState:
    """A pot on file with where it stands and why it may not be used now, if so."""

    equipment: Equipment
    pot: wax.Pot
    why_not: wax.NotUsable | None


def pot_states(rows: Sequence[Equipment], zone: str, now: datetime) -> list[PotState]:
    """Where these pots stand. One statement."""
    logs = _pot_logs([row.id for row in rows], now)
    day = partial(local_date, zone=zone)
    found = []
    for row in rows:
        pot = pot_of(logs[row.id])
        found.append(
            PotState(equipment=row, pot=pot, why_not=wax.why_not(pot, now=now, local_day=day))
        )
    return found


def _pot_logs(ids: Collection[UUID], now: datetime) -> dict[UUID, list[EquipmentEntry]]:
    """What bears on where pots stand: readings of the last two days, everything else of a year.

    A sweep asks this every half a minute, and a reading counts on its own day only.
    """
    struck = EquipmentStrike.objects.values("entry_id")
    daily = Q(kind__in=[LogKind.MEASURED, LogKind.SWITCHED_OFF])
    rows = EquipmentEntry.objects.filter(
        ~daily | Q(happened_at__gte=now - timedelta(days=2)),
        equipment_id__in=ids,
        happened_at__gte=now - LOOK_BACK,
        happened_at__lte=now,
    )
    found: dict[UUID, list[EquipmentEntry]] = defaultdict(list)
    for row in rows.exclude(id__in=struck).order_by("happened_at", "recorded_at", "id"):
        found[row.equipment_id].append(row)
    return found


def pots_in_room(room_id: UUID, method: str, zone: str, now: datetime) -> list[PotState]:
    """The pots on file in a room for wax of `method`, by name; none on file: none. Two statements."""
    rows = Equipment.objects.filter(
        room_id=room_id, kind=EquipmentKind.WAX_POT, method=method, retired_at=None
    )
    return pot_states(list(rows.order_by("name", "id")), zone, now)


def pot_for_line(
    *, room_id: UUID, method: str, zone: str, now: datetime, chosen: UUID | None
) -> PotState | None:
    """The pot that work with wax of `method` starts from in a room; None where none is on file.

    The chosen one, else the first that may be used. Raises `PotNotReady` where it may not be, and
    `InvalidInput` for a chosen one that is not in the room for this wax.
    """
    states = {state.equipment.id: state for state in pots_in_room(room_id, method, zone, now)}
    pots = [wax.PotInRoom(id=i, why_not=state.why_not) for i, state in states.items()]
    try:
        found = wax.pot_to_use(pots, chosen)
    except KeyError:
        raise invalid("/wax_pot_id", "is no pot in this room for this wax", "unknown") from None
    if found is None:
        return None
    if found.why_not is not None:
        raise PotNotReady(
            wax_pot_id=str(found.id),
            reason=found.why_not.value,
            what_to_do=wax.WHAT_TO_DO[found.why_not],
        )
    return states[found.id]


def pots_of(place: Location, now: datetime) -> list[PotState]:
    """The pots of a location that are on file, by name. Two statements."""
    return pot_states(on_file(place.id, EquipmentKind.WAX_POT), place.zone, now)


def pots_due(location_id: UUID, now: datetime) -> list[PotState]:
    """The pots of a location that is open now and that nobody may use, with why: to be measured or seen to.

    None while it is closed: a pot is read before use, and nobody uses it then.
    """
    place = Location.objects.get(id=location_id)
    if not is_open(place.opening_hours, place.zone, now, _holidays_of(place)):
        return []
    return [state for state in pots_of(place, now) if state.why_not is not None]


def _holidays_of(place: Location) -> str:
    return tenancy.policy_of(place).closed_on_holidays_of


def wash_ways(place: Location, on: date) -> tuple[Parameter, tuple[WashWay, ...]]:
    """The ways of washing linen that are published where the location is, and where that is from."""
    found = parameters(place.jurisdiction, on)[ParameterName.LINEN_WASH]
    return found, ways_from(found.value)


def cares(place: Location, on: date) -> tuple[rules.Care, ...]:
    """What care of equipment holds at a location on a day."""
    found = parameters(place.jurisdiction, on)[ParameterName.EQUIPMENT_CARE]
    return rules.care_from(found.value)


def days_over(place: Location, first: date, now: datetime) -> list[date]:
    """The open days from `first` on whose closing has passed, in order; at most LOOK_BACK_DAYS back."""
    today = local_date(now, place.zone)
    earliest = max(first, today - timedelta(days=rules.LOOK_BACK_DAYS))
    found = []
    for back in range((today - earliest).days, -1, -1):
        day = today - timedelta(days=back)
        periods = open_periods(place.opening_hours, place.zone, day, _holidays_of(place))
        if periods and max(period.end for period in periods) <= now:
            found.append(day)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class CareState:
    """A piece with what of its care is due, and what is wrong with it now."""

    equipment: Equipment
    due: tuple[rules.Due, ...]
    flaws: tuple[Flaw, ...]
    #: When a box was called full that was not replaced since.
    full_since: datetime | None = None
    #: The last open day that is over.
    last_day: date | None = None

    @property
    def why_not(self) -> Flaw | None:
        """Why it may not be used now; None: it may."""
        return next((one for one in self.flaws if one in rules.STOPS_USE), None)

    @property
    def missed_last(self) -> tuple[rules.Due, ...]:
        """What was missed on the last open day that is over."""
        return tuple(one for one in self.due if one.days[-1] == self.last_day)


def care_states(place: Location, now: datetime) -> list[CareState]:
    """Every piece on file but pots, with what is due of it. Two statements."""
    pieces = [row for row in on_file(place.id) if row.kind != EquipmentKind.WAX_POT]
    return care_states_of(pieces, place, now)


def care_states_of(pieces: Sequence[Equipment], place: Location, now: datetime) -> list[CareState]:
    """Where these pieces, no pots, stand. One statement."""
    today = local_date(now, place.zone)
    # A rarer care is looked for over its own days before the first day that is judged.
    since = now - timedelta(days=2 * rules.LOOK_BACK_DAYS + 2)
    logs = standing_entries([row.id for row in pieces], since, now)
    wanted = cares(place, today)
    return [_care_state(row, logs[row.id], wanted, place, now) for row in pieces]


def _care_state(
    row: Equipment,
    entries: Sequence[EquipmentEntry],
    wanted: Sequence[rules.Care],
    place: Location,
    now: datetime,
) -> CareState:
    log = [
        rules.Logged(kind=LogKind(e.kind), on=local_date(e.happened_at, place.zone))
        for e in entries
    ]
    mine = [care for care in wanted if care.kind == row.kind]
    days = days_over(place, local_date(row.added_at, place.zone), now) if mine else []
    due = rules.care_due(mine, log, open_days=days)
    found: list[Flaw] = []
    if due:
        found.append(Flaw.NO_LOG if rules.is_out_of_use(due, log) else Flaw.CARE_MISSED)
    full_since = None
    if row.kind == EquipmentKind.SHARPS_BOX and rules.box_is_full(log):
        found.append(Flaw.BOX_FULL)
        full_since = max(e.happened_at for e in entries if e.kind == LogKind.FULL)
    if row.in_date_through is not None and row.in_date_through < local_date(now, place.zone):
        found.append(Flaw.OUT_OF_DATE)
    return CareState(
        equipment=row,
        due=due,
        flaws=tuple(found),
        full_since=full_since,
        last_day=days[-1] if days else None,
    )
