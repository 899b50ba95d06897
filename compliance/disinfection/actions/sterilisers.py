"""Sterilisers and their spore tests: added, repaired, tested; a failed test takes loads back."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection.actions.reprocessing import record
from compliance.disinfection.actions.striking import strike_all
from compliance.disinfection.models import (
    Kit,
    LoadState,
    SporeTest,
    SporeTestCorrection,
    Steriliser,
    SteriliserLoad,
    SteriliserRepair,
)
from compliance.disinfection.queries import sterilising as queries
from compliance.disinfection.rules.reprocessing import EventKind
from compliance.disinfection.rules.sterilising import (
    LoadFault,
    SporeResult,
    SteriliserMethod,
    out_of_use,
)
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


@action
def add_steriliser(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    name: str,
    method: SteriliserMethod,
    programmes: Sequence[dict[str, Any]],
    serial_number: str = "",
    pouch_days: int = 0,
    installed_at: datetime | None = None,
    id: UUID | None = None,
) -> Steriliser:
    """A steriliser with its maker's programmes (name, celsius, minutes, kilopascals or None).

    Raises `InvalidInput` for two programmes of one name, or an installation ahead.
    """
    place = tenancy.location(location_id, actor)
    names = [each["name"] for each in programmes]
    if not names or len(set(names)) < len(names):
        raise invalid("/programmes", "needs at least one, each with a name of its own")
    row = Steriliser(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        name=name,
        method=method.value,
        serial_number=serial_number,
        programmes=[_programme(each) for each in programmes],
        pouch_days=pouch_days,
        installed_at=_past("/installed_at", installed_at, now),
    )
    put(row)
    _evidence(
        "steriliser.added",
        row,
        {
            "method": row.method,
            "serial_number": row.serial_number or None,
            "installed_at": row.installed_at,
        },
    )
    return row


def _programme(given: dict[str, Any]) -> dict[str, Any]:
    pressure = given.get("kilopascals")
    return {
        "name": given["name"],
        "celsius": _plain(given["celsius"]),
        "minutes": _plain(given["minutes"]),
        "kilopascals": None if pressure is None else _plain(pressure),
    }


def _plain(amount: Decimal) -> str:
    return f"{Decimal(amount).quantize(Decimal('0.01')).normalize():f}"


def _past(pointer: str, at: datetime | None, now: datetime) -> datetime:
    if at is not None and at > now:
        raise invalid(pointer, "lies ahead")
    return at or now


@action
def record_repair(
    *, actor: Actor, now: datetime, steriliser_id: UUID, what: str, at: datetime | None = None
) -> Steriliser:
    """A repair that may change how it sterilises; good tests are counted anew from it."""
    row = _standing(tenancy.locked(Steriliser, steriliser_id, actor))
    repair = SteriliserRepair(
        business_id=actor.business_id,
        steriliser=row,
        repaired_at=_past("/at", at, now),
        what=what,
        recorded_at=now,
        person_id=actor.person_id,
    )
    repair.save(force_insert=True)
    _evidence("steriliser.repaired", row, {"repaired_at": repair.repaired_at})
    settle(actor, row, now)
    return row


@action
def retire_steriliser(*, actor: Actor, now: datetime, steriliser_id: UUID) -> Steriliser:
    """It is no longer used: nothing is asked of it any more. Raises `WrongState` the second time."""
    row = _standing(tenancy.locked(Steriliser, steriliser_id, actor))
    row.retired_at = now
    put(row, fields=["retired_at"])
    _evidence("steriliser.retired", row, {})
    return row


def _standing(row: Steriliser) -> Steriliser:
    if row.retired_at is not None:
        raise WrongState(thing="steriliser", state="retired", needed="one that is used")
    return row


@action
def take_spore_test(
    *,
    actor: Actor,
    now: datetime,
    steriliser_id: UUID,
    lot: str,
    laboratory: str = "",
    load_id: UUID | None = None,
    at: datetime | None = None,
    id: UUID | None = None,
) -> SporeTest:
    """A spore test was run, in a load (then at its start) or by itself. Raises `InvalidInput`."""
    row = _standing(tenancy.locked(Steriliser, steriliser_id, actor))
    load = None
    if load_id is not None:
        load = SteriliserLoad.objects.filter(id=load_id, steriliser=row).first()
        if load is None:
            raise invalid("/load_id", "is not a load of this steriliser")
    test = SporeTest(
        id=id or uuid7(),
        business_id=actor.business_id,
        steriliser=row,
        location_id=row.location_id,
        load=load,
        lot=lot,
        laboratory=laboratory,
        taken_at=load.started_at if load else _past("/at", at, now),
        taken_by=actor.person_id,
    )
    put(test)
    _test_evidence("spore_test.taken", test, {"lot": lot, "load_id": load_id})
    return test


@action
def read_spore_test(
    *,
    actor: Actor,
    now: datetime,
    test_id: UUID,
    result: SporeResult,
    at: datetime | None = None,
) -> SporeTest:
    """What a spore test showed. A failed one puts the steriliser and its loads since the last good
    test out of use; enough good ones put it back. Raises `WrongState` for one that was read.
    """
    row, test = _locked_test(test_id, actor)
    if test.result != SporeResult.PENDING:
        raise WrongState(thing="spore test", state=test.result, needed="one that was not read yet")
    read_at = _past("/at", at, now)
    if read_at < test.taken_at:
        raise invalid("/at", "lies before the test was taken")
    test.result, test.read_at, test.read_by = result.value, read_at, actor.person_id
    put(test, fields=["result", "read_at", "read_by"])
    _test_evidence("spore_test.read", test, {"result": test.result, "read_at": read_at})
    settle(actor, row, now)
    return test


@action
def correct_spore_test(
    *, actor: Actor, now: datetime, test_id: UUID, result: SporeResult, reason: str
) -> SporeTest:
    """A result was entered wrongly. Both stay on record, and what followed from it follows anew."""
    row, test = _locked_test(test_id, actor)
    if test.result in {SporeResult.PENDING, result}:
        raise WrongState(thing="spore test", state=test.result, needed="another result on record")
    SporeTestCorrection(
        business_id=actor.business_id,
        test=test,
        was=test.result,
        corrected_at=now,
        person_id=actor.person_id,
        reason=reason,
    ).save(force_insert=True)
    was, test.result = test.result, result.value
    put(test, fields=["result"])
    _test_evidence("spore_test.corrected", test, {"was": was, "result": test.result})
    settle(actor, row, now)
    return test


def _locked_test(test_id: UUID, actor: Actor) -> tuple[Steriliser, SporeTest]:
    # The steriliser first: whoever writes a load or a test of it holds it.
    seen = tenancy.loaded(SporeTest, test_id, actor)
    row = tenancy.locked(Steriliser, seen.steriliser_id, actor)
    return row, tenancy.locked(SporeTest, test_id, actor)


def settle(actor: Actor, row: Steriliser, now: datetime) -> None:
    """Bring a locked steriliser and its loads to what its tests and repairs say."""
    found = queries.outages_of(row)
    for load in queries.loads_in_question(row.id, found):
        recalled = any(outage.recalls(load.started_at) for outage in found)
        if recalled and load.state != LoadState.RECALLED:
            since = min(o.since for o in found if o.recalls(load.started_at))
            _recall(actor, row, load, since, now)
        elif not recalled and load.state == LoadState.RECALLED:
            _vouch_for(actor, row, load, now)
    outage = out_of_use(found, now)
    since = outage.since if outage else None
    if since == row.out_of_use_since:
        return
    was, row.out_of_use_since = row.out_of_use_since, since
    put(row, fields=["out_of_use_since"])
    if since is None:
        _evidence("steriliser.back_in_use", row, {"out_of_use_since": was})
    elif outage is not None:
        facts = {"since": since, "test_id": outage.test_id, "good_tests_needed": outage.needed}
        _evidence("steriliser.out_of_use", row, facts)


def _recall(
    actor: Actor, row: Steriliser, load: SteriliserLoad, since: datetime, now: datetime
) -> None:
    load.state = LoadState.RECALLED
    load.faults = [*load.faults, LoadFault.RECALLED.value]
    put(load, fields=["state", "faults"])
    rows = queries.implements_of_loads([load.id])[load.id]
    at = max(since, load.started_at)
    record_for_each_kit(actor, now, row, rows, EventKind.RECALLED, at=at, load_id=load.id)
    uses = queries.uses_from_loads([load.id])
    load_evidence(
        "steriliser.load_recalled",
        load,
        {
            "implement_ids": [implement.id for implement in rows],
            "visit_ids": sorted({use["visit_id"] for use in uses if use["visit_id"]}),
        },
    )


def _vouch_for(actor: Actor, row: Steriliser, load: SteriliserLoad, now: datetime) -> None:
    """The failed test was no failed test: the load is what it was before."""
    load.faults = [fault for fault in load.faults if fault != LoadFault.RECALLED.value]
    load.state = LoadState.RUNNING
    if load.finished_at is not None:
        load.state = LoadState.RELEASED if load.integrator else LoadState.FINISHED
    put(load, fields=["state", "faults"])
    events = queries.standing_recalls(load.id)
    strike_all(actor, now, row.location, events, reason="the spore test's result was corrected")
    load_evidence("steriliser.load_vouched_for", load, {"state": load.state})


def record_for_each_kit(
    actor: Actor,
    now: datetime,
    row: Steriliser,
    implements: Sequence[Any],
    kind: EventKind,
    *,
    at: datetime,
    load_id: UUID,
    **said: Any,
) -> None:
    """One event for each of these implements, kit by kit in the order of their ids."""
    for kit_id in sorted({implement.kit_id for implement in implements}):
        kit = tenancy.locked(Kit, kit_id, actor)
        own = [implement for implement in implements if implement.kit_id == kit_id]
        record(actor, now, row.location, own, kind, at=at, agent_id=load_id, **said)
        put(kit, fields=[])


def load_evidence(kind: str, load: SteriliserLoad, facts: dict[str, Any]) -> None:
    """An entry about a load."""
    current().evidence(
        kind,
        location_id=load.location_id,
        subject_id=load.id,
        facts={
            "load_id": load.id,
            "steriliser_id": load.steriliser_id,
            "number": load.number,
            **facts,
        },
    )


def _evidence(kind: str, row: Steriliser, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.id,
        facts={"steriliser_id": row.id, **facts},
    )


def _test_evidence(kind: str, test: SporeTest, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=test.location_id,
        subject_id=test.id,
        facts={
            "test_id": test.id,
            "steriliser_id": test.steriliser_id,
            "taken_at": test.taken_at,
            **facts,
        },
    )
