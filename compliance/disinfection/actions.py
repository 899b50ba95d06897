"""Products, baths, kits and what happens to implements. What happened is recorded, right or wrong."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.models import Implement, ImplementEvent, Kit, KitUse, Product, Solution
from compliance.disinfection.problems import KitEmpty
from compliance.disinfection.rules import mixing
from compliance.disinfection.rules.clearance import apply, derive
from compliance.disinfection.rules.reprocessing import Event, EventKind, ImplementClass
from compliance.disinfection.rules.tracks import Bench
from compliance.disinfection.rules.use_window import (
    EndReason,
    Origin,
    closing_of_day,
    discard_at,
    limits_from,
)
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from spa_ops.claims import actions as claims
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.kernel.units import VolumeUnit, to_millilitres
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.tenancy.rules import open_periods
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: A late event is put in its place among the events of this time; older ones have long been settled.
LOOK_BACK = timedelta(days=7)


@action
def add_product(*, actor: Actor, now: datetime, id: UUID | None = None, **label: Any) -> Product:
    """A disinfectant by its label: active, registration number, parts, contact time, use limits.

    Raises `InvalidInput` for limits or parts that cannot be.
    """
    try:
        limits_from(label.get("use_limits", []), Origin.LABEL)
    except (ValueError, KeyError, TypeError) as error:
        raise invalid("/use_limits", f"cannot be read: {error}") from error
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
    _end(solution, now, reason)
    return solution


def _end(solution: Solution, at: datetime, reason: EndReason) -> None:
    solution.ended_at, solution.end_reason = at, reason.value
    put(solution, fields=["ended_at", "end_reason"])
    _solution_evidence(
        "solution.ended",
        solution,
        {"reason": reason.value, "ended_at": at, "discard_at": solution.discard_at},
    )


@action
def expire_solutions(*, actor: Actor, now: datetime, location_id: UUID, limit: int = 500) -> int:
    """End the baths of a location that are past their use window, at the instant it was over.

    Safe to run as often as you like: each bath ends once. Returns how many ended.
    """
    due = queries.due_solutions(location_id, now, limit)
    for solution in due:
        _end(solution, solution.discard_at, EndReason.WINDOW_OVER)
    return len(due)


@action
def add_kit(
    *, actor: Actor, now: datetime, location_id: UUID, name: str, kind: str, id: UUID | None = None
) -> Kit:
    """A kit, bookable at once; empty until implements are added."""
    place = tenancy.location(location_id, actor)
    kit = Kit(id=id or uuid7(), business_id=actor.business_id, location=place, name=name, kind=kind)
    claims.add_bookable(BookableKind.KIT, kit.id)
    put(kit)
    _kit_evidence("kit.added", kit, {})
    return kit


@action
def add_implement(
    *,
    actor: Actor,
    now: datetime,
    kit_id: UUID,
    tag: str,
    name: str,
    kind: ImplementClass,
    id: UUID | None = None,
) -> Kit:
    """An implement with its tag; it counts as soiled until its way back is on record."""
    kit = tenancy.locked(Kit, kit_id, actor)
    row = Implement(
        id=id or uuid7(),
        business_id=actor.business_id,
        kit=kit,
        location_id=kit.location_id,
        tag=tag,
        name=name,
        kind=kind.value,
    )
    row.save(force_insert=True)
    put(kit, fields=[])
    _kit_evidence("implement.added", kit, {"implement_id": row.id, "class": row.kind})
    return kit


@action
def open_kit(*, actor: Actor, now: datetime, kit_id: UUID, visit_id: UUID) -> Kit:
    """A kit is opened for a visit: all of it counts as soiled from here on, used or not.

    That an implement was not cleared is recorded, never hidden; the line then does not start.
    """
    kit = tenancy.locked(Kit, kit_id, actor)
    rows = queries.implements_in(kit.id)
    if not rows:
        raise KitEmpty
    if KitUse.objects.filter(kit=kit, visit_id=visit_id).exists():
        return kit
    uncleared = [row.id for row in rows if not queries.track_of(row).may_be_used]
    cleared = not uncleared
    KitUse(
        business_id=actor.business_id,
        kit=kit,
        visit_id=visit_id,
        opened_at=now,
        cleared=cleared,
        person_id=actor.person_id,
    ).save(force_insert=True)
    _record(actor, now, kit.location, rows, EventKind.USED, at=now, visit_id=visit_id)
    put(kit, fields=[])
    _kit_evidence(
        "kit.opened",
        kit,
        {
            "visit_id": visit_id,
            "cleared": cleared,
            "implement_ids": [row.id for row in rows],
            "uncleared_ids": uncleared,
        },
    )
    return kit


@action
def mark_blood(*, actor: Actor, now: datetime, kit_id: UUID, visit_id: UUID) -> Kit:
    """Blood touched the kit: every implement in it takes the stricter way back."""
    kit = tenancy.locked(Kit, kit_id, actor)
    _record(
        actor,
        now,
        kit.location,
        queries.implements_in(kit.id),
        EventKind.BLOOD_SEEN,
        at=now,
        visit_id=visit_id,
    )
    put(kit, fields=[])
    return kit


@action
def record_reprocessing(
    *,
    actor: Actor,
    now: datetime,
    kit_id: UUID,
    kind: EventKind,
    implement_ids: Sequence[UUID] | None = None,
    at: datetime | None = None,
    agent_id: UUID | None = None,
    fully_open: bool = False,
    covered: bool = False,
) -> Kit:
    """One step of the way back, for a whole kit or some of it, recorded as it happened.

    A wrong order, an early lift or a bath past its window is recorded and does not clear; the
    answer says what to do. Raises `InvalidInput` for a time ahead, an unknown implement, or a
    bath or product that is not there.
    """
    kit = tenancy.locked(Kit, kit_id, actor)
    rows = queries.implements_in(kit.id)
    if implement_ids is not None:
        named = set(implement_ids)
        rows = [row for row in rows if row.id in named]
        if len(rows) != len(named):
            raise invalid("/implement_ids", "names an implement that is not in this kit")
    if not rows:
        raise KitEmpty
    if at is not None and at > now:
        raise invalid("/at", "lies ahead")
    if kind is EventKind.IMMERSED and agent_id is None:
        raise invalid("/agent_id", "needs the bath it went into")
    if agent_id is not None and agent_id not in queries.agents([agent_id], kit.location, now):
        raise invalid("/agent_id", "is not a solution or product of this business")
    _record(
        actor,
        now,
        kit.location,
        rows,
        kind,
        at=at or now,
        agent_id=agent_id,
        fully_open=fully_open,
        covered=covered,
    )
    put(kit, fields=[])
    return kit


@action
def record_added_to_soak(
    *, actor: Actor, now: datetime, solution_id: UUID, cleaned: bool, at: datetime | None = None
) -> Solution:
    """Something without a tag went into a running bath: the time of all in it starts anew.

    Uncleaned, it voids the bath and what lies in it (common practice, no source).
    """
    solution = tenancy.locked(Solution, solution_id, actor)
    if at is not None and at > now:
        raise invalid("/at", "lies ahead")
    _record(
        actor,
        now,
        solution.location,
        [],
        EventKind.ADDED,
        at=at or now,
        agent_id=solution.id,
        cleaned=cleaned,
    )
    solution.refresh_from_db()
    return solution


def _record(
    actor: Actor,
    now: datetime,
    place: Location,
    rows: Sequence[Implement],
    kind: EventKind,
    *,
    at: datetime,
    **said: Any,
) -> None:
    """Store the events, then bring every implement they touch to where it now stands."""
    events = [
        ImplementEvent(
            business_id=actor.business_id,
            location=place,
            implement=row,
            kind=kind.value,
            at=at,
            recorded_at=now,
            person_id=actor.person_id,
            **said,
        )
        for row in (rows or [None])  # type: ignore[list-item]
    ]
    ImplementEvent.objects.bulk_create(events)
    touched = _touched(rows, said.get("agent_id"))
    solutions = _locked_solutions(
        {r.bath_id for r in touched} | {r.agent_id for r in touched} | {said.get("agent_id")}
    )
    before = {row.id: row.state for row in touched}
    bench = _bench_after(place, touched, solutions, [queries.event_of(e) for e in events], now)
    _keep(bench, touched, solutions, at)
    _reprocessing_evidence(place, touched, before, kind, at, {r.id for r in rows}, said)


def _touched(rows: Sequence[Implement], agent_id: UUID | None) -> list[Implement]:
    """The implements named, and those lying in the bath that something went into."""
    ids = {row.id for row in rows}
    if agent_id is not None:
        ids |= set(Implement.objects.filter(bath_id=agent_id).values_list("id", flat=True))
    baths = {row.bath_id for row in rows if row.bath_id}
    ids |= set(Implement.objects.filter(bath_id__in=baths).values_list("id", flat=True))
    locked = Implement.objects.select_for_update(of=("self",), no_key=True)
    return list(locked.filter(id__in=ids).order_by("id"))


def _locked_solutions(ids: set[UUID | None]) -> list[Solution]:
    rows = Solution.objects.select_for_update(of=("self",), no_key=True).select_related("product")
    return list(rows.filter(id__in={i for i in ids if i}).order_by("id"))


def _bench_after(
    place: Location,
    touched: Sequence[Implement],
    solutions: Sequence[Solution],
    events: Sequence[Event],
    now: datetime,
) -> Bench:
    late = any(r.last_event_at and e.at < r.last_event_at for r in touched for e in events)
    if late:
        return _derived_anew(place, touched, now)
    known = queries.agents(
        {i for r in touched for i in (r.agent_id, r.bath_id) if i}
        | {e.agent_id for e in events if e.agent_id},
        place,
        now,
    )
    bench = queries.bench_of(touched, solutions)
    for event in events:
        bench = apply(bench, event, known)
    return bench


def _derived_anew(place: Location, touched: Sequence[Implement], now: datetime) -> Bench:
    """An event that is older than what is on record: everything that shared a bath is derived again."""
    since = now - LOOK_BACK
    ids = queries.sharing({row.id for row in touched}, since)
    rows = list(Implement.objects.filter(id__in=ids))
    stored = list(
        ImplementEvent.objects.filter(implement__in=ids, at__gte=since).order_by("at", "id")
    )
    baths = {e.agent_id for e in stored if e.agent_id}
    stored += ImplementEvent.objects.filter(implement=None, agent_id__in=baths, at__gte=since)
    found = [queries.event_of(e) for e in stored]
    known = queries.agents(baths, place, now)
    return derive({r.id: ImplementClass(r.kind) for r in rows}, found, known)


def _keep(
    bench: Bench, touched: Sequence[Implement], solutions: Sequence[Solution], at: datetime
) -> None:
    names = (
        "state",
        "since",
        "flaw",
        "blood",
        "parts_off",
        "bath_id",
        "agent_id",
        "contact_from",
        "due_at",
        "visit_id",
    )
    for row in touched:
        track = bench.tracks[row.id]
        for name in names:
            value = getattr(track, name)
            setattr(row, name, (value or "") if name == "flaw" else value)
        row.last_event_at = max(row.last_event_at or at, at)
    Implement.objects.bulk_update(touched, [*names, "last_event_at"])
    for solution in solutions:
        bath = bench.baths.get(solution.id)
        if bath is None or (bath.uses, bath.voided_at) == (solution.uses, solution.voided_at):
            continue
        solution.uses, solution.voided_at = bath.uses, bath.voided_at
        put(solution, fields=["uses", "voided_at"])
        if bath.voided_at is not None and solution.ended_at is None:
            _end(solution, bath.voided_at, EndReason.VOIDED)


def _reprocessing_evidence(
    place: Location,
    touched: Sequence[Implement],
    before: dict[UUID, str],
    kind: EventKind,
    at: datetime,
    named: set[UUID],
    said: dict[str, Any],
) -> None:
    for row in touched:
        if row.id not in named and before[row.id] == row.state:
            continue
        track = queries.track_of(row)
        current().evidence(
            "implement.reprocessed",
            location_id=place.id,
            subject_id=row.id,
            occurred_at=at,
            facts={
                "implement_id": row.id,
                "kit_id": row.kit_id,
                "event": kind.value,
                "at": at,
                "agent_id": said.get("agent_id"),
                "visit_id": said.get("visit_id"),
                "state": row.state,
                "cleared": track.is_cleared,
                "may_be_used": track.may_be_used,
                "flaw": row.flaw or None,
                "due_at": row.due_at,
            },
        )


def _kit_evidence(kind: str, kit: Kit, facts: dict[str, Any]) -> None:
    current().evidence(
        kind, location_id=kit.location_id, subject_id=kit.id, facts={"kit_id": kit.id, **facts}
    )


def _solution_evidence(kind: str, solution: Solution, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=solution.location_id,
        subject_id=solution.id,
        facts={"solution_id": solution.id, **facts},
    )
