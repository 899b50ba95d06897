"""What happens to implements on their way back: recorded as it happened, then derived."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.actions.solutions import end
from compliance.disinfection.actions.way_back import follow
from compliance.disinfection.models import EventStrike, Implement, ImplementEvent, Kit, Solution
from compliance.disinfection.problems import KitEmpty
from compliance.disinfection.queries import counting
from compliance.disinfection.rules.clearance import apply, derive
from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from compliance.disinfection.rules.tracks import Bench
from compliance.disinfection.rules.use_window import EndReason
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import AlreadyCorrected, NotFound, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put, touch
from spa_ops.unit.work import action, current

#: A late or struck event is put right among the events of this time; older ones have long been settled.
LOOK_BACK = timedelta(days=7)


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
    """One step of the way back, for a whole kit or some of it, recorded as it happened. What is
    missing from the kit is not there, and takes no part in it.

    A wrong order, an early lift or a bath past its window is recorded and does not clear; the
    answer says what to do. Raises `InvalidInput` for a time ahead, an unknown implement, or a
    bath or product that is not there.
    """
    kit = tenancy.locked(Kit, kit_id, actor)
    rows = queries.implements_in(kit.id)
    gone = counting.missing_of([row.id for row in rows])
    if implement_ids is not None:
        named = set(implement_ids)
        rows = [row for row in rows if row.id in named]
        if len(rows) != len(named):
            raise invalid("/implement_ids", "names an implement that is not in this kit")
        if named & gone:
            raise invalid(
                "/implement_ids", "names an implement that is missing: say it is found first"
            )
    rows = [row for row in rows if row.id not in gone]
    _record_step(
        actor,
        now,
        [kit],
        rows,
        kind,
        at=at,
        agent_id=agent_id,
        fully_open=fully_open,
        covered=covered,
    )
    return kit


@action
def record_reprocessing_of_kits(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    kit_ids: Sequence[UUID],
    kind: EventKind,
    at: datetime | None = None,
    agent_id: UUID | None = None,
    fully_open: bool = False,
    covered: bool = False,
) -> list[Kit]:
    """One step of the way back for several kits and trays of a location: all of it, or nothing.

    What went into one bath together went in at one instant. Raises as `record_reprocessing`, and
    `InvalidInput` for a kit of another location.
    """
    place = tenancy.location(location_id, actor)
    kits = [tenancy.locked(Kit, kit_id, actor) for kit_id in sorted(set(kit_ids))]
    if any(kit.location_id != place.id for kit in kits):
        raise invalid("/kit_ids", "names a kit of another location")
    rows = [row for kit in kits for row in queries.implements_in(kit.id)]
    gone = counting.missing_of([row.id for row in rows])
    rows = [row for row in rows if row.id not in gone]
    if {row.kit_id for row in rows} != {kit.id for kit in kits}:
        raise KitEmpty
    _record_step(
        actor,
        now,
        kits,
        rows,
        kind,
        at=at,
        agent_id=agent_id,
        fully_open=fully_open,
        covered=covered,
    )
    return kits


def _record_step(
    actor: Actor,
    now: datetime,
    kits: Sequence[Kit],
    rows: Sequence[Implement],
    kind: EventKind,
    *,
    at: datetime | None,
    agent_id: UUID | None,
    **said: bool,
) -> None:
    place = kits[0].location
    if not rows:
        raise KitEmpty
    if at is not None and at > now:
        raise invalid("/at", "lies ahead")
    if kind is EventKind.IMMERSED and agent_id is None:
        raise invalid("/agent_id", "needs the bath it went into")
    if agent_id is not None:
        agent = queries.agents([agent_id], place, now).get(agent_id)
        if agent is None:
            raise invalid("/agent_id", "is not a solution or product of this business")
        if kind is EventKind.IMMERSED and not agent.is_bath:
            raise invalid("/agent_id", "is a product: name the bath that was mixed from it")
    record(actor, now, place, rows, kind, at=at or now, agent_id=agent_id, **said)
    touch(kits)


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
    record(
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


@action
def strike_event(*, actor: Actor, now: datetime, event_id: UUID, reason: str) -> Kit:
    """A mis-tap: this event did not happen. It stays on record, struck out; states are derived again.

    Raises `NotFound`, `AlreadyCorrected`.
    """
    event = ImplementEvent.objects.filter(id=event_id, implement__isnull=False).first()
    if event is None or not actor.covers(event.location_id):
        raise NotFound
    kit = tenancy.locked(Kit, event.implement.kit_id, actor)
    if EventStrike.objects.filter(event=event).exists():
        raise AlreadyCorrected
    EventStrike(
        business_id=actor.business_id,
        event=event,
        struck_at=now,
        person_id=actor.person_id,
        reason=reason,
    ).save(force_insert=True)
    since = queries.look_back({event.implement_id}, now, LOOK_BACK)
    rows = _locked(queries.sharing({event.implement_id}, since))
    before = {row.id: row.state for row in rows}
    _keep(_derived_anew(kit.location, rows, now), rows, [], now, anew=True)
    current().evidence(
        "implement.event_struck",
        location_id=kit.location_id,
        subject_id=event.implement_id,
        facts={
            "implement_id": event.implement_id,
            "kit_id": kit.id,
            "event_id": event.id,
            "event": event.kind,
            "at": event.at,
            "changed_ids": [row.id for row in rows if row.state != before[row.id]],
        },
    )
    _touch_kits(rows, but=set())
    follow(kit.location, {row.kit_id for row in rows}, now)
    kit.refresh_from_db()
    return kit


def record(
    actor: Actor,
    now: datetime,
    place: Location,
    rows: Sequence[Implement],
    kind: EventKind,
    *,
    at: datetime,
    **said: Any,
) -> None:
    """Store the events, then bring every implement they touch to where it now stands.

    The kits of `rows` are the caller's to publish; kits of others in the same bath are published here.
    """
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
    late = any(row.last_event_at and at < row.last_event_at for row in touched)
    if late:
        since = queries.look_back({row.id for row in touched}, now, LOOK_BACK)
        touched = _locked(queries.sharing({row.id for row in touched}, since))
    baths = {i for row in touched for i in (row.bath_id, row.agent_id)} | {said.get("agent_id")}
    solutions = _locked_solutions(baths)
    before = {row.id: row.state for row in touched}
    bench = (
        _derived_anew(place, touched, now)
        if late
        else _applied(place, touched, solutions, events, now)
    )
    _keep(bench, touched, solutions, at, anew=late)
    _evidence(place, touched, before, kind, at, {e.implement_id: e.id for e in events}, said)
    _touch_kits(touched, but={row.kit_id for row in rows})
    follow(place, {row.kit_id for row in touched}, now)


def _touch_kits(rows: Iterable[Implement], *, but: set[UUID]) -> None:
    others = {row.kit_id for row in rows} - but
    for kit in (
        Kit.objects.select_for_update(of=("self",), no_key=True)
        .filter(id__in=others)
        .order_by("id")
    ):
        put(kit, fields=[])


def _touched(rows: Sequence[Implement], agent_id: UUID | None) -> list[Implement]:
    """The implements named, and those lying in a bath that something went into or came out of."""
    baths = {row.bath_id for row in rows if row.bath_id} | ({agent_id} if agent_id else set())
    sharing = Implement.objects.filter(bath_id__in=baths).values_list("id", flat=True)
    return _locked({row.id for row in rows} | set(sharing))


def _locked(ids: set[UUID]) -> list[Implement]:
    rows = Implement.objects.select_for_update(of=("self",), no_key=True)
    return list(rows.filter(id__in=ids).order_by("id"))


def _locked_solutions(ids: set[UUID | None]) -> list[Solution]:
    rows = Solution.objects.select_for_update(of=("self",), no_key=True).select_related("product")
    return list(rows.filter(id__in={i for i in ids if i}).order_by("id"))


def _applied(
    place: Location,
    touched: Sequence[Implement],
    solutions: Sequence[Solution],
    events: Sequence[ImplementEvent],
    now: datetime,
) -> Bench:
    ids = {i for row in touched for i in (row.agent_id, row.bath_id) if i}
    known = queries.agents(ids | {e.agent_id for e in events if e.agent_id}, place, now)
    bench = queries.bench_of(touched, solutions)
    for event in events:
        bench = apply(bench, queries.event_of(event), known)
    return bench


def _derived_anew(place: Location, touched: Sequence[Implement], now: datetime) -> Bench:
    """Everything that shared a bath, derived again from what was recorded and not struck out."""
    ids = {row.id for row in touched}
    stored = queries.events_since(ids, queries.look_back(ids, now, LOOK_BACK))
    known = queries.agents({e.agent_id for e in stored if e.agent_id}, place, now)
    kinds = {row.id: ImplementClass(row.kind) for row in touched}
    made_of = {row.id: frozenset(row.materials) for row in touched}
    return derive(kinds, [queries.event_of(e) for e in stored], known, materials=made_of)


def _keep(
    bench: Bench,
    touched: Sequence[Implement],
    solutions: Sequence[Solution],
    at: datetime,
    *,
    anew: bool,
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
        "load_id",
        "keeps_until",
    )
    for row in touched:
        track = bench.tracks[row.id]
        for name in names:
            value = getattr(track, name)
            setattr(row, name, (value or "") if name == "flaw" else value)
        row.last_event_at = max(row.last_event_at or at, at)
        row.derived_anew += anew
    Implement.objects.bulk_update(touched, [*names, "last_event_at", "derived_anew"])
    for solution in solutions:
        bath = bench.baths.get(solution.id)
        if bath is None or (bath.uses, bath.voided_at) == (solution.uses, solution.voided_at):
            continue
        solution.uses, solution.voided_at = bath.uses, bath.voided_at
        put(solution, fields=["uses", "voided_at"])
        if bath.voided_at is not None and solution.ended_at is None:
            end(solution, bath.voided_at, EndReason.VOIDED)


def _evidence(
    place: Location,
    touched: Sequence[Implement],
    before: dict[UUID, str],
    kind: EventKind,
    at: datetime,
    named: dict[UUID, UUID],
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
                "event_id": named.get(row.id),
                "event": kind.value if row.id in named else "bath_changed",
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
