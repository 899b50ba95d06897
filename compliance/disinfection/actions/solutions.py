"""Disinfectants by their labels, and baths: mixed, judged, ended."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.models import Product, Solution
from compliance.disinfection.rules import mixing
from compliance.disinfection.rules.use_window import (
    EndReason,
    Origin,
    closing_of_day,
    discard_at,
    limits_from,
)
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.kernel.units import VolumeUnit, to_millilitres
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods
from spa_ops.unit.rows import put, put_each
from spa_ops.unit.work import action, current


@action
def add_product(*, actor: Actor, now: datetime, id: UUID | None = None, **label: Any) -> Product:
    """A disinfectant by its label: active, registration number, parts, contact time, use limits.

    Raises `InvalidInput` for limits or parts that cannot be.
    """
    try:
        limits_from(label.get("use_limits", []), Origin.LABEL)
    except (ValueError, KeyError, TypeError) as error:
        raise invalid("/use_limits", f"cannot be read: {error}") from error
    if label["parts_concentrate"] <= 0:
        raise invalid("/parts_concentrate", "must be more than 0")
    product = Product(id=id or uuid7(), business_id=actor.business_id, **label)
    put(product)
    current().evidence(
        "disinfectant.added",
        location_id=None,
        subject_id=product.id,
        facts={
            "product_id": product.id,
            "registration_number": product.registration_number or None,
            "contact_seconds": product.contact_seconds,
            "hospital_type": product.hospital_type,
        },
    )
    return product


@action
def mix_solution(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    product_id: UUID,
    container: str,
    concentrate: tuple[Decimal, VolumeUnit],
    water: tuple[Decimal, VolumeUnit],
    id: UUID | None = None,
) -> Solution:
    """A new bath: what was poured, judged against the label, and when it must be discarded.

    Weaker than the label or far too strong is recorded and not usable. The use window is the
    strictest of label, jurisdiction and house.
    """
    place = tenancy.location(location_id, actor)
    product = tenancy.loaded(Product, product_id, actor)
    poured = mixing.Amounts(
        concentrate_ml=_stored(to_millilitres(*concentrate)),
        water_ml=_stored(to_millilitres(*water)),
    )
    if poured.finished_ml <= 0:
        raise invalid("/concentrate", "something must have been poured")
    judged = mixing.judge_pour(queries.dilution_of(product), poured)
    window = _window(place, product, now)
    solution = Solution(
        id=id or uuid7(),
        business_id=actor.business_id,
        location=place,
        product=product,
        container=container,
        mixed_at=now,
        mixed_by=actor.person_id,
        concentrate_ml=poured.concentrate_ml,
        water_ml=poured.water_ml,
        entered={
            "concentrate": [str(concentrate[0]), concentrate[1].value],
            "water": [str(water[0]), water[1].value],
        },
        pour=judged.pour.value,
        contact_seconds=queries.contact_seconds(product, place, now, "immersion"),
        discard_at=window.ends_at,
        limits=[
            {
                "kind": d.limit.kind.value,
                "origin": d.limit.origin.value,
                "amount": d.limit.amount,
                "citation": d.limit.citation,
                "ends_at": rfc3339(d.ends_at),
            }
            for d in window.dated
        ],
        uses_allowed=window.uses_allowed,
    )
    if not judged.is_usable:
        solution.ended_at, solution.end_reason = now, EndReason.NOT_AS_LABEL.value
    put(solution)
    _solution_evidence(
        "solution.mixed",
        solution,
        {
            "product_id": product.id,
            "concentrate_ml": f"{poured.concentrate_ml}",
            "water_ml": f"{poured.water_ml}",
            "pour": solution.pour,
            "discard_at": solution.discard_at,
            "contact_seconds": solution.contact_seconds,
        },
    )
    return solution


def _stored(millilitres: Decimal) -> Decimal:
    return millilitres.quantize(Decimal("0.01"))


def _window(place: Location, product: Product, now: datetime) -> Any:
    on = local_date(now, place.zone)
    board = parameters(place.jurisdiction, on)[ParameterName.SOLUTION_USE_LIMITS]
    origin = Origin.HOUSE if board.is_house else Origin.JURISDICTION
    limits = limits_from(product.use_limits, Origin.LABEL) + limits_from(board.value, origin)
    closing = closing_of_day(
        now, open_on=lambda day: open_periods(place.opening_hours, place.zone, day), zone=place.zone
    )
    return discard_at(mixed_at=now, limits=limits, closing_at=closing, zone=place.zone)


@action
def end_solution(
    *, actor: Actor, now: datetime, solution_id: UUID, reason: EndReason, match: int | None = None
) -> Solution:
    """A bath is over: emptied, visibly contaminated, or its strip failed. What lies in it stays on record."""
    solution = tenancy.locked(Solution, solution_id, actor, match=match)
    if solution.ended_at is not None:
        raise WrongState(thing="solution", state="ended", needed="usable")
    end(solution, now, reason)
    return solution


def end(solution: Solution, at: datetime, reason: EndReason) -> None:
    solution.ended_at, solution.end_reason = at, reason.value
    _put_ended([solution])


def _put_ended(solutions: Sequence[Solution]) -> None:
    put_each(solutions, fields=["ended_at", "end_reason"])
    for solution in solutions:
        _solution_evidence(
            "solution.ended",
            solution,
            {
                "reason": solution.end_reason,
                "ended_at": solution.ended_at,
                "discard_at": solution.discard_at,
            },
        )


@action
def expire_solutions(*, actor: Actor, now: datetime, location_id: UUID, limit: int = 500) -> int:
    """End the baths of a location that are past their use window, at the instant it was over.

    Safe to run as often as you like: each bath ends once. Returns how many ended.
    """
    due = queries.due_solutions(location_id, now, limit)
    for solution in due:
        solution.ended_at, solution.end_reason = solution.discard_at, EndReason.WINDOW_OVER.value
    _put_ended(due)
    return len(due)


def _solution_evidence(kind: str, solution: Solution, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=solution.location_id,
        subject_id=solution.id,
        facts={"solution_id": solution.id, **facts},
    )
