"""Going through an opening or closing list: ticks, and signing it off by name."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from rooms.models import CheckList, CheckTick
from rooms.queries import check_lists as queries
from rooms.rules import check_lists as rules
from rooms.rules.check_lists import Asks, ListKind, Row, RowState
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import ActingPersonRequired, WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def tick_list(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kind: ListKind,
    item: str,
    done: bool,
    number: Decimal | None = None,
    day: date | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> CheckList:
    """Keep that a row was done, with the count or reading it asks for, or that it is not done after all.

    Locks the location. A tick against what the program knows counts as done and is recorded as
    contradicted; one after the list was signed off is recorded too, with an entry of its own.
    Raises `NotFound`; `InvalidInput` for a row that is not on the list, a number that is missing
    or not asked for, and days and times that lie ahead.
    """
    place = tenancy.locked(Location, location_id, actor)
    day = _day(place, day, now)
    happened_at = at or now
    if happened_at > now:
        raise invalid("/at", "lies ahead")
    if local_date(happened_at, place.zone) < day:
        raise invalid("/at", "is before the day of the list")
    found = queries.day_list(place, kind, day, now)
    row = _row(found.rows, item)
    _check_number(row, done, number)
    listed = found.row or _begin(place, kind, day, now)
    said = found.known.get(item)
    tick = CheckTick(
        id=id or uuid7(),
        business_id=actor.business_id,
        check_list=listed,
        item=item,
        done=done,
        number=number,
        contradicted=bool(done and said and not said.met),
        happened_at=happened_at,
        recorded_at=now,
        recorded_by=actor.person_id,
    )
    tick.save(force_insert=True)
    put(listed, fields=[])
    if listed.signed_off_at is not None or tick.contradicted:
        facts = {
            "tick_id": tick.id,
            "item": item,
            "done": done,
            "contradicted": tick.contradicted,
            "after_sign_off": listed.signed_off_at is not None,
        }
        _evidence("check_list.ticked", listed, facts, happened_at)
    return listed


def _day(place: Location, day: date | None, now: datetime) -> date:
    today = local_date(now, place.zone)
    found = day or today
    if found > today:
        raise invalid("/day", "lies ahead")
    if found < today - timedelta(days=queries.MOST_DAYS_BACK):
        raise invalid("/day", "is too long ago")
    return found


def _row(rows: Sequence[Row], key: str) -> Row:
    found = next((row for row in rows if row.key == key), None)
    if found is None:
        raise invalid("/item", "is not on this list", "unknown")
    return found


def _check_number(row: Row, done: bool, number: Decimal | None) -> None:
    if row.item.asks is Asks.NOTHING and number is not None:
        raise invalid("/number", "is not asked for", "unknown")
    if row.item.asks is not Asks.NOTHING and done and number is None:
        raise invalid("/number", f"say the {row.item.asks} {row.item.unit}".rstrip(), "required")


def _begin(place: Location, kind: ListKind, day: date, now: datetime) -> CheckList:
    row = CheckList(
        id=uuid7(),
        business_id=place.business_id,
        location=place,
        kind=kind.value,
        day=day,
        begun_at=now,
    )
    put(row)
    return row


def _evidence(kind: str, row: CheckList, facts: dict[str, Any], at: datetime | None = None) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.id,
        occurred_at=at,
        facts={"check_list_id": row.id, "kind": row.kind, "day": row.day, **facts},
    )


@action
def sign_off_list(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kind: ListKind,
    day: date | None = None,
) -> CheckList:
    """Somebody answers for a day's list by name, once, as it stands: what is blank stays blank, on record.

    Locks the location. Raises `NotFound`, `WrongState` where it was signed off, `InvalidInput`,
    `ActingPersonRequired` for nobody.
    """
    if actor.person_id is None:
        raise ActingPersonRequired
    place = tenancy.locked(Location, location_id, actor)
    day = _day(place, day, now)
    found = queries.day_list(place, kind, day, now)
    row = found.row or _begin(place, kind, day, now)
    if row.signed_off_at is not None:
        raise WrongState(thing="list", state="signed off", needed="one that is not")
    by_state = rules.keys_by_state(found.rows, found.ticks)
    row.signed_off_at, row.signed_off_by = now, actor.person_id
    row.done = len(by_state[RowState.DONE]) + len(by_state[RowState.CONTRADICTED])
    row.not_done = len(found.rows) - row.done
    put(row, fields=["signed_off_at", "signed_off_by", "done", "not_done"])
    due_at = queries.due_at(place, kind, day)
    _evidence(
        "check_list.signed_off",
        row,
        {
            "due_at": due_at,
            "pack": found.parameter.pack,
            "late": due_at is not None and now > due_at,
            **{state.value: by_state[state] for state in RowState},
        },
    )
    return row
