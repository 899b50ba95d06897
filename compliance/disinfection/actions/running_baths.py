"""What is done with baths and beside them: containers, topping up, strips, papers on site, warnings."""

from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.actions.reprocessing import record
from compliance.disinfection.actions.solutions import end, solution_evidence, stored_ml
from compliance.disinfection.models import (
    Container,
    Implement,
    Kit,
    Product,
    SiteCheck,
    Solution,
    StripReading,
    TopUp,
)
from compliance.disinfection.problems import NoStripTarget
from compliance.disinfection.rules import baths, mixing
from compliance.disinfection.rules.mixing import Pour
from compliance.disinfection.rules.reprocessing import EventKind
from compliance.disinfection.rules.use_window import EndReason
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.kernel.units import VolumeUnit, to_millilitres
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put, touch
from spa_ops.unit.work import action, current

Volume = tuple[Decimal, VolumeUnit]


@action
def add_container(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    name: str,
    capacity: Volume | None = None,
    pieces: int | None = None,
    has_lid: bool = False,
    is_marked: bool = False,
    id: UUID | None = None,
) -> Container:
    """A container for soak solutions: how much of a bath and how many implements it takes."""
    place = tenancy.location(location_id, actor)
    row = Container(
        id=id or uuid7(), business_id=actor.business_id, location=place, name=name.strip()
    )
    _described(row, capacity, pieces, has_lid, is_marked)
    put(row)
    _container_evidence("soak_container.added", row)
    return row


@action
def change_container(
    *,
    actor: Actor,
    now: datetime,
    container_id: UUID,
    capacity: Volume | None = None,
    pieces: int | None = None,
    has_lid: bool = False,
    is_marked: bool = False,
    match: int | None = None,
) -> Container:
    """The container as it is now. A bath that is in it keeps what held when it was mixed."""
    row = tenancy.locked(Container, container_id, actor, match=match)
    _described(row, capacity, pieces, has_lid, is_marked)
    put(row)
    _container_evidence("soak_container.changed", row)
    return row


def _described(
    row: Container, capacity: Volume | None, pieces: int | None, has_lid: bool, is_marked: bool
) -> None:
    row.capacity_ml = stored_ml(to_millilitres(*capacity)) if capacity else None
    row.entered = {"capacity": [str(capacity[0]), capacity[1].value]} if capacity else {}
    row.pieces, row.has_lid, row.is_marked = pieces, has_lid, is_marked


def _container_evidence(kind: str, row: Container) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.id,
        facts={
            "container_id": row.id,
            "capacity_ml": f"{row.capacity_ml}" if row.capacity_ml is not None else None,
            "pieces": row.pieces,
            "has_lid": row.has_lid,
            "is_marked": row.is_marked,
        },
    )


@action
def top_up_solution(
    *, actor: Actor, now: datetime, solution_id: UUID, concentrate: Volume, water: Volume
) -> Solution:
    """Concentrate or water poured into a running bath: the whole of it is judged anew.

    The time of all in it starts anew, the use window never does. Weaker than the label, far too
    strong, or more than the container takes ends it at once. Raises `WrongState`, `InvalidInput`.
    """
    solution = _running(solution_id, actor)
    more = mixing.Amounts(
        concentrate_ml=to_millilitres(*concentrate), water_ml=to_millilitres(*water)
    )
    if more.finished_ml <= 0:
        raise invalid("/concentrate", "something must have been poured")
    whole = queries.poured_so_far(solution).plus(more)
    pour = mixing.judge_pour(queries.dilution_of(solution.product), whole).pour
    row = TopUp(
        business_id=actor.business_id,
        location=solution.location,
        solution=solution,
        poured_at=now,
        person_id=actor.person_id,
        concentrate_ml=stored_ml(more.concentrate_ml),
        water_ml=stored_ml(more.water_ml),
        entered={
            "concentrate": [str(concentrate[0]), concentrate[1].value],
            "water": [str(water[0]), water[1].value],
        },
        pour=pour.value,
    )
    row.save(force_insert=True)
    facts = {
        "concentrate_ml": f"{row.concentrate_ml}",
        "water_ml": f"{row.water_ml}",
        "pour": row.pour,
        "overfilled": baths.is_overfilled(whole, solution.capacity_ml),
    }
    solution_evidence("solution.topped_up", solution, facts)
    # Ended before the clocks start anew, so that nothing in it is told a time it cannot reach.
    if facts["overfilled"] or pour is not Pour.OK:
        end(solution, now, EndReason.OVERFILLED if pour is Pour.OK else EndReason.NOT_AS_LABEL)
    else:
        touch([solution])
    record(actor, now, solution.location, [], EventKind.TOPPED_UP, at=now, agent_id=solution.id)
    solution.refresh_from_db()
    return solution


@action
def read_strip(*, actor: Actor, now: datetime, solution_id: UUID, reading_ppm: Decimal) -> Solution:
    """A test strip against its target. One that shows less ends the bath at once.

    Raises `WrongState` for a bath that is over, `NoStripTarget` where the label tells no strength.
    """
    solution = _running(solution_id, actor)
    target = queries.target_ppm(solution.product)
    if target is None:
        raise NoStripTarget
    row = StripReading(
        business_id=actor.business_id,
        location=solution.location,
        solution=solution,
        read_at=now,
        person_id=actor.person_id,
        reading_ppm=reading_ppm,
        target_ppm=target.quantize(Decimal("0.1")),
        passed=mixing.strip_passes(reading_ppm=reading_ppm, target_ppm=target),
    )
    row.save(force_insert=True)
    solution_evidence(
        "solution.strip_read",
        solution,
        {
            "reading_ppm": f"{row.reading_ppm}",
            "target_ppm": f"{row.target_ppm}",
            "passed": row.passed,
        },
    )
    if row.passed:
        touch([solution])
    else:
        end(solution, now, EndReason.FAILED_STRIP)
    return solution


def _running(solution_id: UUID, actor: Actor) -> Solution:
    solution = tenancy.locked(Solution, solution_id, actor)
    if solution.ended_at is not None:
        raise WrongState(thing="solution", state="ended", needed="usable")
    return solution


@action
def look_for_papers(
    *,
    actor: Actor,
    now: datetime,
    product_id: UUID,
    location_id: UUID,
    data_sheet: bool,
    labelled_bottle: bool,
) -> Product:
    """Somebody looked whether the safety data sheet and the maker's labelled bottle are on site.

    Both are findings on every bath mixed there until a look finds them. (16 CCR 978(c))
    """
    product = tenancy.loaded(Product, product_id, actor)
    SiteCheck(
        business_id=actor.business_id,
        location=tenancy.location(location_id, actor),
        product=product,
        looked_at=now,
        person_id=actor.person_id,
        data_sheet=data_sheet,
        labelled_bottle=labelled_bottle,
    ).save(force_insert=True)
    current().evidence(
        "disinfectant.papers_looked_for",
        location_id=location_id,
        subject_id=product.id,
        facts={
            "product_id": product.id,
            "data_sheet": data_sheet,
            "labelled_bottle": labelled_bottle,
        },
    )
    return product


@action
def warn_of_soaks(*, actor: Actor, now: datetime, location_id: UUID, limit: int = 500) -> int:
    """Say of implements that soak far too long that they do, once for each soak. Returns how many."""
    named = queries.soaking_too_long(location_id, now, limit)
    kits = _locked_kits({row.kit_id for row in named})
    rows = Implement.objects.select_for_update(of=("self",), no_key=True)
    still = {row.id: row for row in rows.filter(id__in=[r.id for r in named]).order_by("id")}
    # Another sweep may have said it between the look and the lock.
    warned = [
        row
        for row in named
        if row.kit_id in kits
        and still[row.id].contact_from == row.contact_from != still[row.id].soak_warned_for
    ]
    for row in warned:
        still[row.id].soak_warned_for = row.contact_from
    Implement.objects.bulk_update([still[row.id] for row in warned], ["soak_warned_for"])
    touch([kits[id_] for id_ in sorted({row.kit_id for row in warned})])
    return len(warned)


def _locked_kits(ids: set[UUID]) -> dict[UUID, Any]:
    rows = Kit.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return {kit.id: kit for kit in rows.filter(id__in=ids).order_by("id")}
