"""Loads of a steriliser: started, finished, read; released or not. And pouches past their shelf life."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection.actions.reprocessing import record
from compliance.disinfection.actions.sterilisers import load_evidence, record_for_each_kit
from compliance.disinfection.models import (
    Kit,
    LoadItem,
    LoadState,
    Steriliser,
    SteriliserLoad,
)
from compliance.disinfection.queries import sterilising as queries
from compliance.disinfection.rules.reprocessing import EventKind
from compliance.disinfection.rules.sterilising import (
    Cycle,
    IntegratorResult,
    LoadFault,
    load_faults,
)
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import insert, put
from spa_ops.unit.work import action

_CENT = Decimal("0.01")


@action
def start_load(
    *,
    actor: Actor,
    now: datetime,
    steriliser_id: UUID,
    programme: str,
    pouches: Sequence[dict[str, Any]],
    at: datetime | None = None,
    id: UUID | None = None,
) -> SteriliserLoad:
    """A load is started: which implements (`implement_ids`) in which `pouch`, on which programme.

    One with nothing in it is a test load. What was not cleaned, dried and packed before is recorded
    as it is and is not cleared by it; so is a load of a steriliser that is out of use. Raises
    `InvalidInput` for an unknown programme, an implement of elsewhere or named twice; `WrongState`
    for a retired steriliser.
    """
    row = tenancy.locked(Steriliser, steriliser_id, actor)
    if row.retired_at is not None:
        raise WrongState(thing="steriliser", state="retired", needed="one that is used")
    cycle = queries.programme_of(row, programme)
    if cycle is None:
        raise invalid("/programme", "is not a programme of this steriliser")
    if at is not None and at > now:
        raise invalid("/at", "lies ahead")
    named = [each for pouch in pouches for each in pouch["implement_ids"]]
    known = queries.implements_named(named, row.location)
    if len(known) < len(named):
        raise invalid("/pouches", "names an implement twice, or one that is not at this location")
    load = SteriliserLoad(
        id=id or uuid7(),
        business_id=actor.business_id,
        steriliser=row,
        location_id=row.location_id,
        number=queries.next_number(row.id),
        programme=programme,
        set_celsius=cycle.celsius,
        set_minutes=cycle.minutes,
        set_kilopascals=cycle.kilopascals,
        started_at=at or now,
        started_by=actor.person_id,
    )
    items = [
        LoadItem(
            business_id=actor.business_id,
            load_id=load.id,
            implement_id=implement_id,
            pouch=pouch["pouch"],
        )
        for pouch in pouches
        for implement_id in pouch["implement_ids"]
    ]
    put(load)
    if items:
        insert(items)
    record_for_each_kit(
        actor, now, row, list(known.values()), EventKind.LOADED, at=load.started_at, load_id=load.id
    )
    load_evidence(
        "steriliser.load_started",
        load,
        {
            "started_at": load.started_at,
            "programme": programme,
            "celsius": f"{load.set_celsius:f}",
            "minutes": f"{load.set_minutes:f}",
            "implement_ids": named,
        },
    )
    return load


@action
def finish_load(
    *,
    actor: Actor,
    now: datetime,
    load_id: UUID,
    reached: Cycle,
    at: datetime | None = None,
) -> SteriliserLoad:
    """A load is over: the temperature, time and pressure that it reached. Raises `WrongState`."""
    _, load = _locked_load(load_id, actor)
    if load.finished_at is not None:
        raise WrongState(thing="load", state=load.state, needed="a running one")
    finished_at = _after(load.started_at, at, now)
    load.finished_at, load.finished_by = finished_at, actor.person_id
    load.reached_celsius = reached.celsius.quantize(_CENT)
    load.reached_minutes = reached.minutes.quantize(_CENT)
    if reached.kilopascals is not None:
        load.reached_kilopascals = reached.kilopascals.quantize(_CENT)
    if load.state == LoadState.RUNNING:
        load.state = LoadState.FINISHED
    put(
        load,
        fields=[
            "finished_at",
            "finished_by",
            "reached_celsius",
            "reached_minutes",
            "reached_kilopascals",
            "state",
        ],
    )
    load_evidence(
        "steriliser.load_finished",
        load,
        {
            "finished_at": finished_at,
            "celsius": f"{load.reached_celsius:f}",
            "minutes": f"{load.reached_minutes:f}",
        },
    )
    return load


@action
def read_integrator(
    *,
    actor: Actor,
    now: datetime,
    load_id: UUID,
    result: IntegratorResult,
    integrator_class: int | None = None,
    lot: str = "",
    action_taken: str = "",
    at: datetime | None = None,
) -> SteriliserLoad:
    """What the chemical integrator showed: the load is released, and what was packed in it cleared,
    or it failed and says why.

    Raises `WrongState` while it runs and once it was read.
    """
    row, load = _locked_load(load_id, actor)
    if load.finished_at is None or load.integrator:
        state = "running" if load.finished_at is None else "read"
        raise WrongState(thing="load", state=state, needed="a finished one that was not read")
    read_at = _after(load.finished_at, at, now)
    load.integrator, load.integrator_class, load.integrator_lot = (
        result.value,
        integrator_class,
        lot,
    )
    load.integrator_read_at, load.integrator_read_by = read_at, actor.person_id
    load.action_taken = action_taken
    found = queries.outages_of(row)
    faults = list(
        load_faults(
            queries.facts_of(load),
            queries.asked(row.location, load.started_at).settings,
            usable=not any(outage.recalls(load.started_at) for outage in found),
        )
    )
    if load.state == LoadState.RECALLED:
        faults.append(LoadFault.RECALLED)
    if row.pouch_days and not faults:
        load.keeps_until = load.finished_at + timedelta(days=row.pouch_days)
    _decide(actor, now, row, load, [fault.value for fault in faults], read_at)
    return load


@action
def withdraw_load(
    *, actor: Actor, now: datetime, load_id: UUID, action_taken: str
) -> SteriliserLoad:
    """A load does not count after all (a wet pouch, a door opened, a wrong reading): nothing is
    cleared by it from now on. Raises `WrongState` for one that counts for nothing anyway.
    """
    row, load = _locked_load(load_id, actor)
    if load.state in {LoadState.FAILED, LoadState.RECALLED}:
        raise WrongState(thing="load", state=load.state, needed="one that is not out already")
    load.action_taken = action_taken
    _decide(actor, now, row, load, ["withdrawn"], now)
    return load


def _decide(
    actor: Actor,
    now: datetime,
    row: Steriliser,
    load: SteriliserLoad,
    faults: list[str],
    at: datetime,
) -> None:
    released = not faults
    if load.state != LoadState.RECALLED:
        load.state = LoadState.RELEASED if released else LoadState.FAILED
    load.faults = faults
    put(
        load,
        fields=[
            "integrator",
            "integrator_class",
            "integrator_lot",
            "integrator_read_at",
            "integrator_read_by",
            "action_taken",
            "state",
            "faults",
            "keeps_until",
        ],
    )
    rows = queries.implements_of_loads([load.id])[load.id]
    kind = EventKind.STERILISED if released else EventKind.LOAD_FAILED
    said = {"keeps_until": load.keeps_until} if released else {}
    record_for_each_kit(actor, now, row, rows, kind, at=at, load_id=load.id, **said)
    facts: dict[str, Any] = {"integrator": load.integrator or None}
    if released:
        facts["keeps_until"] = load.keeps_until
    else:
        facts["faults"] = faults
    load_evidence("steriliser.load_released" if released else "steriliser.load_failed", load, facts)


def _after(earliest: datetime, at: datetime | None, now: datetime) -> datetime:
    if at is not None and not earliest <= at <= now:
        raise invalid("/at", "lies ahead, or before what it follows")
    return at or now


def _locked_load(load_id: UUID, actor: Actor) -> tuple[Steriliser, SteriliserLoad]:
    seen = tenancy.loaded(SteriliserLoad, load_id, actor)
    row = tenancy.locked(Steriliser, seen.steriliser_id, actor)
    load = tenancy.locked(SteriliserLoad, load_id, actor)
    load.steriliser = row
    return row, load


@action
def end_shelf_lives(*, actor: Actor, now: datetime, location_id: UUID, limit: int = 200) -> int:
    """Pouches past their shelf life no longer count; each once, at the instant it was over.

    Safe to run as often as you like. Returns how many implements.
    """
    place = Location.objects.get(id=location_id)
    due = queries.past_shelf_life(location_id, now, limit)
    for kit_id in sorted({row.kit_id for row in due}):
        kit = tenancy.locked(Kit, kit_id, actor)
        for keeps_until in sorted({row.keeps_until for row in due if row.kit_id == kit_id}):
            # Read anew: whoever held the kit may have opened the pouch meanwhile.
            rows = queries.still_past(kit_id, keeps_until)
            if rows:
                record(actor, now, place, rows, EventKind.SHELF_LIFE_OVER, at=keeps_until)
        put(kit, fields=[])
    return len(due)
