"""Wax pots that nobody may use yet, equipment that wants care, and opening and closing lists that are not done."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from uuid import UUID

from rooms.queries import check_lists, equipment
from rooms.rules.check_lists import ListKind
from rooms.rules.wax import NotUsable
from services.queries.due_checks import source
from services.rules.due_checks import DueKind, Pace, Standing
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import local_day
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods

Key = tuple[UUID, datetime]
#: A list is on the board of what is due so long before it is due (house policy).
LIST_WARNING = timedelta(minutes=30)
#: A kit that runs out of date is on it so long before (house policy).
DATE_WARNING = timedelta(days=14)


def _measured(place: Location, keys: Iterable[Key]) -> dict[Key, datetime]:
    """When each pot was measured within its range on the local day it was due: first after that, else before."""
    found: dict[Key, datetime] = {}
    for pot_id, due_at in keys:
        day = local_day(local_date(due_at, place.zone), place.zone)
        readings = equipment.standing_entries([pot_id], day.start, day.end)[pot_id]
        good = [e.happened_at for e in readings if e.kind == "measured" and not e.flaws]
        later = [at for at in good if at >= due_at]
        if good:
            found[pot_id, due_at] = min(later) if later else max(good)
    return found


@source(DueKind.POT_TEMPERATURE, pace=Pace.MINUTES, done_at=_measured)
def pots_not_measured(place: Location, now: datetime) -> Iterator[Standing]:
    """Pots with wax in them that may not be used, due at today's opening and until its closing.

    An empty pot is not asked for: nobody means to use it.
    """
    today = local_date(now, place.zone)
    holidays = tenancy.policy_of(place).closed_on_holidays_of
    periods = open_periods(place.opening_hours, place.zone, today, holidays)
    if not periods or now >= max(period.end for period in periods):
        return
    opens_at = min(period.start for period in periods)
    for state in equipment.pots_of(place, now):
        if state.why_not not in {None, NotUsable.EMPTY}:
            # What was put on file, or found too hot, after opening is not late since opening.
            reading = state.pot.reading.at if state.pot.reading else opens_at
            yield Standing(
                subject_id=state.equipment.id,
                due_at=max(opens_at, state.equipment.added_at, reading),
                what=state.equipment.name,
            )


@source(DueKind.EQUIPMENT, pace=Pace.DAYS)
def equipment_not_cared_for(place: Location, now: datetime) -> Iterator[Standing]:
    """Care that was not logged on the last open day it was asked for, full boxes, and what is past its date."""
    for state in equipment.care_states(place, now):
        piece = state.equipment
        if state.missed_last and state.last_day is not None:
            words = ", ".join(sorted(due.care.event for due in state.missed_last))
            closed = check_lists.closing_at(place, state.last_day)
            yield Standing(subject_id=piece.id, due_at=closed, what=f"{piece.name}: {words}")
        if state.full_since is not None:
            yield Standing(subject_id=piece.id, due_at=state.full_since, what=f"{piece.name}: full")
        if piece.in_date_through is not None:
            due_at = local_day(piece.in_date_through, place.zone).end
            what = f"{piece.name}: in date through {piece.in_date_through}"
            yield Standing(
                subject_id=piece.id, due_at=due_at, warn_at=due_at - DATE_WARNING, what=what
            )


def _lists(kind: ListKind, place: Location, now: datetime) -> Iterator[Standing]:
    for listed in check_lists.lists_due(place.id, now):
        if listed.kind is kind:
            yield Standing(
                subject_id=place.id,
                due_at=listed.due_at,
                warn_at=listed.due_at - LIST_WARNING,
                what=f"{kind} list of {listed.day}",
            )


def _done(kind: ListKind, place: Location, keys: Iterable[Key]) -> dict[Key, datetime]:
    found: dict[Key, datetime] = {}
    for place_id, due_at in keys:
        day = local_date(due_at, place.zone)
        # Closing, and what the house allows after it, may lie past midnight.
        days = (day, day - timedelta(days=1))
        of = next((d for d in days if check_lists.due_at(place, kind, d) == due_at), None)
        done = check_lists.done_at(place.id, kind, of) if of else None
        if done is not None:
            found[place_id, due_at] = done
    return found


def _opening_done(place: Location, keys: Iterable[Key]) -> dict[Key, datetime]:
    return _done(ListKind.OPENING, place, keys)


def _closing_done(place: Location, keys: Iterable[Key]) -> dict[Key, datetime]:
    return _done(ListKind.CLOSING, place, keys)


@source(DueKind.OPENING_LIST, pace=Pace.MINUTES, done_at=_opening_done)
def opening_lists(place: Location, now: datetime) -> Iterator[Standing]:
    """The opening list of a day on which the location opens; blanks are late from opening on."""
    yield from _lists(ListKind.OPENING, place, now)


@source(DueKind.CLOSING_LIST, pace=Pace.MINUTES, done_at=_closing_done)
def closing_lists(place: Location, now: datetime) -> Iterator[Standing]:
    """The closing list of a day; late from what the house allows after closing on."""
    yield from _lists(ListKind.CLOSING, place, now)
