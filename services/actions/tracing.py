"""Tracing: what touched a client, who else it touched. Each trace is recorded as a read of all it shows."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from clients.actions_reads import record_read, record_reads_of_visits
from services.queries import tracing as queries
from services.queries import tracing_stock as stock
from services.queries.tracing import Things, Window
from services.queries.treatments import products_recorded
from spa_ops.kernel.actor import Actor
from spa_ops.unit.work import action

#: A place in the list of visits: when the last one was due, and its id.
Place = tuple[datetime, UUID]


@action
def trace_visit(
    *, actor: Actor, now: datetime, visit_id: UUID, days: int, after: Place | None, limit: int
) -> dict[str, Any]:
    """What a visit's client came in touch with, and other clients' visits that shared any of it.

    Those due up to `days` before and after the visit. Raises `NotFound`.
    """
    visit = queries.visit_to_trace(visit_id, actor)
    lines = queries.lines_worked_on(visit.id)
    lots, sold = stock.lots_of_visit(visit.id), stock.sold_at_visit(visit.id)
    ways, kits = queries.ways_of(visit.id), queries.kits_opened(visit.id)
    met = [each for way in ways for each in (*way["before"], *way["after"])]
    things = Things(
        kits=frozenset(kit["kit_id"] for kit in kits),
        baths=frozenset(each["agent_id"] for each in met if each["kind"] == "immersed"),
        loads=frozenset(each["agent_id"] for each in met if each["kind"] == "loaded"),
        rooms=frozenset(line.room_id for line in lines),
        practitioners=frozenset(line.practitioner_id for line in lines),
        products=frozenset(i for line in lines for i in line.service.skin_product_ids),
        lots=frozenset(one["lot_id"] for one in (*lots, *sold) if one["lot_id"]),
        containers=frozenset(one["container_id"] for one in lots if one["container_id"]),
    )
    span = timedelta(days=days)
    window = Window(start=visit.starts_at - span, end=visit.starts_at + span)
    shared = _shared(actor, now, things, window, visit.client_id, after, limit)
    record_reads_of_visits(actor=actor, now=now, visits=[(visit.client_id, visit.id)])
    return {
        "visit_id": visit.id,
        "client_id": visit.client_id,
        "kits": kits,
        "implements": ways,
        "baths": queries.baths(things.baths),
        "loads": queries.loads(things.loads),
        "practitioners": _named((x.practitioner_id, x.practitioner.name) for x in lines),
        "rooms": _named((x.room_id, x.room.name) for x in lines),
        "products": queries.skin_products(things.products),
        "products_recorded": products_recorded(visit),
        "lots": lots,
        "sold": sold,
        **shared,
    }


@action
def trace_kit(
    *, actor: Actor, now: datetime, kit_id: UUID, window: Window, after: Place | None, limit: int
) -> dict[str, Any]:
    """A kit's baths in a window, and the visits in it that opened the kit or shared one of these.

    Raises `NotFound`.
    """
    kit = queries.kit_to_trace(kit_id, actor)
    lain_in = queries.baths_of_kit(kit.id, window)
    things = Things(kits=frozenset({kit.id}), baths=lain_in)
    return {
        "kit_id": kit.id,
        "name": kit.name,
        "implements": queries.implements_of(kit.id),
        "baths": queries.baths(lain_in),
        **_shared(actor, now, things, window, None, after, limit),
    }


@action
def trace_solution(
    *, actor: Actor, now: datetime, solution_id: UUID, days: int, after: Place | None, limit: int
) -> dict[str, Any]:
    """A bath's implements, and the visits that they were used at before or after they lay in it.

    Those due up to `days` before it was mixed and after it ended. Raises `NotFound`.
    """
    solution = queries.solution_to_trace(solution_id, actor)
    span = timedelta(days=days)
    window = Window(
        start=solution.mixed_at - span,
        end=(solution.ended_at or max(now, solution.discard_at)) + span,
    )
    things = Things(baths=frozenset({solution.id}))
    return {
        "bath": queries.baths({solution.id})[0],
        "implements": queries.implements_in_bath(solution.id),
        **_shared(actor, now, things, window, None, after, limit),
    }


@action
def trace_load(
    *,
    actor: Actor,
    now: datetime,
    load_id: UUID,
    days: int,
    after: Place | None,
    limit: int,
) -> dict[str, Any]:
    """A steriliser's load, and the visits that its implements were used at before or after.

    Those due from `days` before it was started, however long a pouch was kept. Raises `NotFound`.
    """
    load = queries.load_to_trace(load_id, actor)
    window = _since(load.started_at - timedelta(days=days), now)
    return {
        "load": queries.loads({load.id})[0],
        "implements": queries.implements_in_load(load.id),
        **_shared(actor, now, Things(loads=frozenset({load.id})), window, None, after, limit),
    }


@action
def trace_lot(
    *,
    actor: Actor,
    now: datetime,
    lot_id: UUID,
    window: Window | None,
    after: Place | None,
    limit: int,
) -> dict[str, Any]:
    """A lot, what was opened of it, and the visits in a window whose lines used, or whose clients bought, any of it.

    With the lots of that item and number at the actor's other locations. Without a window: since the
    first of them came. Raises `NotFound`.
    """
    lots = stock.lots_like(lot_id, actor)
    ids = frozenset(lot.id for lot in lots)
    window = window or _since(min(lot.received_at for lot in lots), now)
    return {
        "lots": stock.lots_shown(lots),
        "containers": stock.containers_of(ids),
        **_shared(actor, now, Things(lots=ids), window, None, after, limit),
    }


@action
def trace_container(
    *,
    actor: Actor,
    now: datetime,
    container_id: UUID,
    window: Window | None,
    after: Place | None,
    limit: int,
) -> dict[str, Any]:
    """An opened container, what was decanted from it, and the visits in a window whose lines used any of these.

    Without a window: since it was opened. Raises `NotFound`.
    """
    container = stock.container_to_trace(container_id, actor)
    ids = frozenset(stock.containers_from(container.id))
    window = window or _since(container.opened_at, now)
    return {
        "container_id": container.id,
        "item_id": container.item_id,
        "containers": stock.containers_shown(ids),
        **_shared(actor, now, Things(containers=ids), window, None, after, limit),
    }


def _since(start: datetime, now: datetime) -> Window:
    # A visit that was due a little earlier may have begun late.
    return Window(start=start - timedelta(days=1), end=now + timedelta(days=1))


@action
def trace_client(*, actor: Actor, now: datetime, client_id: UUID, window: Window) -> dict[str, Any]:
    """Every lot and open container that touched a client at visits in a window, or was sold: a recorded read.

    Raises `NotFound` also where the client is not known to the actor's location; `Erased`.
    """
    client = record_read(actor=actor, now=now, client_id=client_id)
    return {
        "client_id": client.id,
        "start": window.start,
        "end": window.end,
        "lots": stock.lots_of_client(client.id, window, actor),
        "sold": stock.sold_to_client(client.id, window, actor),
    }


def _shared(
    actor: Actor,
    now: datetime,
    things: Things,
    window: Window,
    not_of: UUID | None,
    after: Place | None,
    limit: int,
) -> dict[str, Any]:
    visits, following = queries.visits_sharing(
        things, window, actor=actor, not_of=not_of, after=after, limit=limit
    )
    shown = [(v["client_id"], v["visit_id"]) for v in visits]
    record_reads_of_visits(actor=actor, now=now, visits=shown)
    return {"start": window.start, "end": window.end, "visits": visits, "following": following}


def _named(pairs: Iterable[tuple[UUID, str]]) -> list[dict[str, Any]]:
    return [{"id": i, "name": name} for i, name in sorted(set(pairs), key=lambda p: (p[1], p[0]))]
