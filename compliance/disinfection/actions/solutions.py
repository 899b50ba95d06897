"""Disinfectants by their labels, and baths: mixed, judged, ended."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.models import Product, Solution
from compliance.disinfection.queries import windows
from compliance.disinfection.rules import baths, mixing
from compliance.disinfection.rules.labels import Family, not_for_from, strength_is_acceptable
from compliance.disinfection.rules.use_window import (
    DatedLimit,
    EndReason,
    Origin,
    discard_at,
    house_limit,
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
from spa_ops.unit.rows import put, put_each
from spa_ops.unit.work import action, current


@action
def add_product(*, actor: Actor, now: datetime, id: UUID | None = None, **label: Any) -> Product:
    """A disinfectant by its label: active, registration number, parts, contact time, use limits,
    family, strength, what it is not for, the order of mixing.

    Raises `InvalidInput` for limits or parts that cannot be, and for bleach outside 5 to 9 % or of
    unknown strength (US CDC bleach page).
    """
    try:
        limits_from(label.get("use_limits", []), Origin.LABEL)
    except (ValueError, KeyError, TypeError) as error:
        raise invalid("/use_limits", f"cannot be read: {error}") from error
    if label["parts_concentrate"] <= 0:
        raise invalid("/parts_concentrate", "must be more than 0")
    family = Family(label.setdefault("family", Family.OTHER))
    if not strength_is_acceptable(family, label.get("strength_percent")):
        raise invalid("/strength_percent", "bleach is known from 5 to 9 %; others above 0 to 100")
    label["family"], label["not_for"] = family.value, _plain(label.get("not_for", {}))
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


def _plain(not_for: dict[str, Any]) -> dict[str, Any]:
    try:
        excluded = not_for_from(not_for)
    except ValueError as error:
        raise invalid("/not_for", f"cannot be read: {error}") from error
    return {
        "classes": sorted(c.value for c in excluded.classes),
        "materials": sorted(m.value for m in excluded.materials),
    }


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
    changeover: Mapping[str, bool] | None = None,
    id: UUID | None = None,
) -> Solution:
    """A new bath: what was poured, judged against the label, and when it must be discarded.

    Weaker than the label, far too strong, more than the container takes, or in a container that
    held another product and was not `emptied`, `washed` and `labelled_anew` (`changeover`), is
    recorded and not usable. A bath that the container still held is ended. The use window is the
    strictest of label, jurisdiction and house.
    """
    # Locked, so that hours which change meanwhile are not missed: see `redraw_windows`.
    place = tenancy.locked(Location, location_id, actor)
    product = tenancy.loaded(Product, product_id, actor)
    # Judged as it was read off the jug: kept to hundredths, an ounce to sixteen would be too weak.
    poured = mixing.Amounts(
        concentrate_ml=to_millilitres(*concentrate), water_ml=to_millilitres(*water)
    )
    if poured.finished_ml <= 0:
        raise invalid("/concentrate", "something must have been poured")
    container = container.strip()
    vessel = queries.container_at(location_id, container)
    before = queries.last_bath_in(location_id, container)
    if before is not None and before.ended_at is None:
        end(before, now, EndReason.REPLACED)
    capacity = vessel.capacity_ml if vessel else None
    findings = baths.findings_on(
        label=queries.dilution_of(product),
        family=Family(product.family),
        poured=poured,
        capacity_ml=capacity,
        before=_before(before, product, changeover or {}),
        on_site=queries.on_site(location_id, product_id),
    )
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
        concentrate_ml=stored_ml(poured.concentrate_ml),
        water_ml=stored_ml(poured.water_ml),
        entered={
            "concentrate": [str(concentrate[0]), concentrate[1].value],
            "water": [str(water[0]), water[1].value],
        },
        pour=judged.pour.value,
        findings=[
            {"code": f.value, "what_to_do": baths.what_to_do(f, judged), "basis": baths.BASIS[f]}
            for f in findings
        ],
        capacity_ml=capacity,
        pieces_allowed=vessel.pieces if vessel else None,
        contact_seconds=queries.contact_seconds(product, place, now, "immersion"),
        discard_at=window.ends_at,
        limits=kept_limits(window.dated),
        uses_allowed=window.uses_allowed,
    )
    unusable = [each for each in findings if each in baths.UNUSABLE]
    if unusable:
        solution.ended_at, solution.end_reason = now, _ENDED_BY[unusable[0]].value
    put(solution)
    solution_evidence(
        "solution.mixed",
        solution,
        {
            "product_id": product.id,
            "concentrate_ml": f"{solution.concentrate_ml}",
            "water_ml": f"{solution.water_ml}",
            "pour": solution.pour,
            "discard_at": solution.discard_at,
            "contact_seconds": solution.contact_seconds,
            "container": container,
            "faults": [each.value for each in findings],
        },
    )
    if unusable:
        _ended_evidence(solution)
    return solution


#: What ends a bath that must not be used from the start.
_ENDED_BY = {
    baths.Finding.WEAKER: EndReason.NOT_AS_LABEL,
    baths.Finding.OVER: EndReason.NOT_AS_LABEL,
    baths.Finding.OVERFILLED: EndReason.OVERFILLED,
    baths.Finding.NOT_CHANGED_OVER: EndReason.NOT_CHANGED_OVER,
    baths.Finding.MUST_NOT_MEET: EndReason.NOT_CHANGED_OVER,
}


def _before(
    last: Solution | None, product: Product, said: Mapping[str, bool]
) -> baths.Before | None:
    if last is None:
        return None
    return baths.Before(
        is_same_product=last.product_id == product.id, family=Family(last.product.family), **said
    )


def stored_ml(millilitres: Decimal) -> Decimal:
    return millilitres.quantize(Decimal("0.01"))


def kept_limits(dated: Sequence[DatedLimit]) -> list[dict[str, Any]]:
    return [
        {
            "kind": one.limit.kind.value,
            "origin": one.limit.origin.value,
            "amount": one.limit.amount,
            "citation": one.limit.citation,
            "ends_at": rfc3339(one.ends_at),
        }
        for one in dated
    ]


def _window(place: Location, product: Product, now: datetime) -> Any:
    on = local_date(now, place.zone)
    board = parameters(place.jurisdiction, on)[ParameterName.SOLUTION_USE_LIMITS]
    origin = Origin.HOUSE if board.is_house else Origin.JURISDICTION
    limits = (
        limits_from(product.use_limits, Origin.LABEL)
        + limits_from(board.value, origin)
        + house_limit(tenancy.policy_of(place).solution_use_limit)
    )
    return discard_at(
        mixed_at=now, limits=limits, closing_at=windows.closing_of(place, now), zone=place.zone
    )


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
        _ended_evidence(solution)


def _ended_evidence(solution: Solution) -> None:
    solution_evidence(
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


def solution_evidence(kind: str, solution: Solution, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=solution.location_id,
        subject_id=solution.id,
        facts={"solution_id": solution.id, **facts},
    )
