"""Reads that trace: what touched a client, and which other visits shared any of it. Never writes.

An implement's uses part its life: what it lay in between two of them is after the one and before
the other. Struck-out events did not happen. Events of one instant stand in the order they came in.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import orjson
from django.db import connection

from compliance.disinfection.models import (
    Implement,
    Kit,
    LoadItem,
    Solution,
    SteriliserLoad,
)
from services.models import Line, SkinProduct, Visit
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy

#: A kit opened for a visit is opened on its day; this bounds the search for what was used of it.
_AROUND = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Things:
    """What may have been shared."""

    kits: frozenset[UUID] = frozenset()
    baths: frozenset[UUID] = frozenset()
    loads: frozenset[UUID] = frozenset()
    rooms: frozenset[UUID] = frozenset()
    practitioners: frozenset[UUID] = frozenset()
    products: frozenset[UUID] = frozenset()
    lots: frozenset[UUID] = frozenset()
    containers: frozenset[UUID] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Visits that were due in [start, end)."""

    start: datetime
    end: datetime


def visit_to_trace(visit_id: UUID, actor: Actor) -> Visit:
    """The visit; raises `NotFound` out of reach."""
    return tenancy.loaded(Visit, visit_id, actor)


def kit_to_trace(kit_id: UUID, actor: Actor) -> Kit:
    """The kit; raises `NotFound` out of reach."""
    return tenancy.loaded(Kit, kit_id, actor)


def solution_to_trace(solution_id: UUID, actor: Actor) -> Solution:
    """The bath; raises `NotFound` out of reach."""
    return tenancy.loaded(Solution, solution_id, actor)


def lines_worked_on(visit_id: UUID) -> list[Line]:
    """A visit's lines that began, with their practitioner, room and service."""
    rows = Line.objects.filter(visit_id=visit_id, started_at__isnull=False)
    return list(rows.select_related("practitioner", "room", "service").order_by("position"))


def skin_products(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Products that touched the skin, as they are called now."""
    rows = SkinProduct.objects.filter(id__in=ids).order_by("name", "id")
    return list(rows.values("id", "name", "supplier", "formula_version"))


def implements_of(kit_id: UUID) -> list[dict[str, Any]]:
    """A kit's implements by tag."""
    rows = Implement.objects.filter(kit_id=kit_id).order_by("tag")
    return list(rows.values("id", "tag", "name"))


_STANDS = "NOT EXISTS (SELECT FROM disinfection_event_strike s WHERE s.event_id = {0}.id)"
#: What was entered by mistake nobody took home; what was brought back somebody had.
SOLD = "NOT EXISTS (SELECT FROM services_sale_undone r WHERE r.sale_id = {0}.id AND r.kind = 'mistake')"
_ORDER = "{0}.at, {0}.recorded_at, {0}.id"


def _nearest_use(event: str, side: str) -> str:
    """SQL for the use of the same implement next to `event`: the last before or the first after."""
    less, order = ("<", "DESC") if side == "before" else (">", "ASC")
    sort = ", ".join(f"{part} {order}" for part in _ORDER.format("u").split(", "))
    return (
        "SELECT u.visit_id, u.at, u.recorded_at, u.id FROM disinfection_event u "
        f"WHERE u.implement_id = {event}.implement_id AND u.kind = 'used' "
        f"AND ({_ORDER.format('u')}) {less} ({_ORDER.format(event)}) AND {_STANDS.format('u')} "
        f"ORDER BY {sort} LIMIT 1"
    )


#: Each use of an implement of some kits, and what it lay in or was wiped with before and after.
_WAYS = f"""
WITH used AS (
    SELECT DISTINCT k.kit_id, k.visit_id, i.id AS implement_id, i.tag, i.name, u.at, u.recorded_at, u.id
    FROM disinfection_kit_use k
    JOIN disinfection_implement i ON i.kit_id = k.kit_id
    JOIN disinfection_event u ON u.implement_id = i.id AND u.kind = 'used' AND u.visit_id = k.visit_id
        AND u.at BETWEEN k.opened_at - %(around)s AND k.opened_at + %(around)s
    WHERE k.visit_id = %(visit)s AND {_STANDS.format("u")}
)
SELECT used.kit_id, used.implement_id, used.tag, used.name, used.at, m.side, m.kind, m.agent_id, m.at
FROM used
LEFT JOIN LATERAL ({_nearest_use("used", "before")}) p ON true
LEFT JOIN LATERAL ({_nearest_use("used", "after")}) n ON true
LEFT JOIN LATERAL (
    SELECT CASE WHEN ({_ORDER.format("e")}) < ({_ORDER.format("used")}) THEN 'before' ELSE 'after' END AS side,
           e.kind, e.agent_id, e.at, e.recorded_at, e.id
    FROM disinfection_event e
    WHERE e.implement_id = used.implement_id AND e.kind IN ('immersed', 'wiped', 'loaded') AND e.agent_id IS NOT NULL
      AND (p.id IS NULL OR ({_ORDER.format("e")}) > ({_ORDER.format("p")}))
      AND (n.id IS NULL OR ({_ORDER.format("e")}) < ({_ORDER.format("n")}))
      AND {_STANDS.format("e")}
) m ON true
ORDER BY used.tag, used.at, used.id, {_ORDER.format("m")}
"""


def ways_of(visit_id: UUID) -> list[dict[str, Any]]:
    """Each implement used at a visit, with what disinfected it before and what took it after.

    One statement. `agent_id` is a bath where it was immersed, a product where it was wiped, a
    load where it was sterilised.
    """
    with connection.cursor() as cursor:
        cursor.execute(_WAYS, {"visit": visit_id, "around": _AROUND})
        rows = cursor.fetchall()
    found: dict[tuple[UUID, datetime], dict[str, Any]] = {}
    for kit_id, implement_id, tag, name, used_at, side, kind, agent_id, at in rows:
        use = found.setdefault(
            (implement_id, used_at),
            {"kit_id": kit_id, "implement_id": implement_id, "tag": tag, "name": name,
             "used_at": used_at, "before": [], "after": []},
        )  # fmt: skip
        if side is not None:
            use[side].append({"kind": kind, "agent_id": agent_id, "at": at})
    return list(found.values())


def kits_opened(visit_id: UUID) -> list[dict[str, Any]]:
    """The kits opened for a visit, and whether every implement was cleared then."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT k.kit_id, t.name, k.opened_at, k.cleared FROM disinfection_kit_use k "
            "JOIN disinfection_kit t ON t.id = k.kit_id WHERE k.visit_id = %s ORDER BY 3, 1",
            [visit_id],
        )
        names = ("kit_id", "name", "opened_at", "cleared")
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def baths_of_kit(kit_id: UUID, window: Window) -> frozenset[UUID]:
    """The baths that implements of a kit went into in a window."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT DISTINCT e.agent_id FROM disinfection_event e "
            "JOIN disinfection_implement i ON i.id = e.implement_id "
            "WHERE i.kit_id = %s AND e.kind = 'immersed' AND e.at >= %s AND e.at < %s "
            f"AND {_STANDS.format('e')}",
            [kit_id, window.start, window.end],
        )
        return frozenset(row[0] for row in cursor.fetchall())


def implements_in_bath(solution_id: UUID) -> list[dict[str, Any]]:
    """Every implement that lay in a bath, with its kit, how often, and when first and last."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT i.id, i.tag, i.name, i.kit_id, count(*), min(e.at), max(e.at) "
            "FROM disinfection_event e JOIN disinfection_implement i ON i.id = e.implement_id "
            f"WHERE e.agent_id = %s AND e.kind = 'immersed' AND {_STANDS.format('e')} "
            "GROUP BY i.id ORDER BY i.tag",
            [solution_id],
        )
        names = ("implement_id", "tag", "name", "kit_id", "times", "first_at", "last_at")
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def load_to_trace(load_id: UUID, actor: Actor) -> SteriliserLoad:
    """The steriliser's load; raises `NotFound` out of reach."""
    return tenancy.loaded(SteriliserLoad, load_id, actor)


def loads(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Loads with their steriliser and what became of them, oldest first."""
    rows = SteriliserLoad.objects.filter(id__in=ids).select_related("steriliser")
    return [
        {
            "load_id": load.id,
            "steriliser_id": load.steriliser_id,
            "steriliser": load.steriliser.name,
            "number": load.number,
            "started_at": load.started_at,
            "state": load.state,
            "faults": load.faults,
        }
        for load in rows.order_by("started_at", "id")
    ]


def implements_in_load(load_id: UUID) -> list[dict[str, Any]]:
    """Every implement of a load with its pouch and kit."""
    rows = LoadItem.objects.filter(load_id=load_id).select_related("implement")
    return [
        {
            "implement_id": row.implement_id,
            "tag": row.implement.tag,
            "name": row.implement.name,
            "kit_id": row.implement.kit_id,
            "pouch": row.pouch,
        }
        for row in rows.order_by("implement__tag", "id")
    ]


def baths(ids: Collection[UUID]) -> list[dict[str, Any]]:
    """Baths with their disinfectant and how they stood, oldest first."""
    rows = Solution.objects.filter(id__in=ids).select_related("product").order_by("mixed_at", "id")
    return [
        {
            "solution_id": s.id,
            "container": s.container,
            "disinfectant": s.product.name,
            "mixed_at": s.mixed_at,
            "mixed_by": s.mixed_by,
            "pour": s.pour,
            "discard_at": s.discard_at,
            "voided_at": s.voided_at,
            "ended_at": s.ended_at,
            "end_reason": s.end_reason,
        }
        for s in rows
    ]


#: Each (visit, what, thing) that shares one; the last two columns of a bath say on which side it was.
_SHARED = f"""
WITH near AS (
    SELECT v.id, v.client_id, v.location_id, v.starts_at FROM services_visit v
    WHERE v.starts_at >= %(start)s AND v.starts_at < %(end)s
      AND (v.state IN ('in_room', 'left') OR EXISTS (SELECT FROM services_sale b WHERE b.visit_id = v.id))
      AND (%(place)s::uuid IS NULL OR v.location_id = %(place)s)
      AND (%(client)s::uuid IS NULL OR v.client_id <> %(client)s)
), immersed AS (
    SELECT e.agent_id, e.implement_id, e.at, e.recorded_at, e.id,
           CASE e.kind WHEN 'immersed' THEN 'bath' ELSE 'load' END AS what
    FROM disinfection_event e
    WHERE (e.agent_id = ANY(%(baths)s) AND e.kind = 'immersed' OR e.agent_id = ANY(%(loads)s) AND e.kind = 'loaded')
        AND {_STANDS.format("e")}
), shared AS (
    SELECT k.visit_id, 'kit' AS what, k.kit_id AS thing, NULL AS side
    FROM disinfection_kit_use k WHERE k.kit_id = ANY(%(kits)s)
    UNION SELECT p.visit_id, m.what, m.agent_id, 'after'
    FROM immersed m JOIN LATERAL ({_nearest_use("m", "before")}) p ON true
    UNION SELECT n.visit_id, m.what, m.agent_id, 'before'
    FROM immersed m JOIN LATERAL ({_nearest_use("m", "after")}) n ON true
    UNION SELECT x.visit_id, w.what, w.thing, NULL
    FROM near JOIN services_line x ON x.visit_id = near.id AND x.started_at IS NOT NULL
    JOIN LATERAL (VALUES ('room', x.room_id), ('practitioner', x.practitioner_id)) w(what, thing)
        ON w.thing = ANY(%(rooms)s) AND w.what = 'room' OR w.thing = ANY(%(practitioners)s) AND w.what = 'practitioner'
    UNION SELECT x.visit_id, 'product', t.product, NULL
    FROM near JOIN services_line x ON x.visit_id = near.id AND x.started_at IS NOT NULL
    JOIN services_service c ON c.id = x.service_id
    JOIN LATERAL unnest(c.skin_product_ids) t(product) ON t.product = ANY(%(products)s)
    UNION SELECT x.visit_id, 'lot', u.lot_id, NULL
    FROM services_line_use u JOIN services_line x ON x.id = u.line_id
    WHERE u.lot_id = ANY(%(lots)s) AND u.stands
    UNION SELECT x.visit_id, 'container', u.container_id, NULL
    FROM services_line_use u JOIN services_line x ON x.id = u.line_id
    WHERE u.container_id = ANY(%(containers)s) AND u.stands
    UNION SELECT s.visit_id, 'lot', o.lot_id, 'sold'
    FROM services_sale_lot o JOIN services_sale s ON s.id = o.sale_id
    WHERE o.lot_id = ANY(%(lots)s) AND {SOLD.format("s")}
)
SELECT near.id, near.client_id, near.location_id, near.starts_at,
       jsonb_agg(jsonb_build_object('what', what, 'id', thing, 'side', side) ORDER BY what, thing, side)::text
FROM near JOIN shared ON shared.visit_id = near.id
WHERE (%(after_at)s::timestamptz IS NULL OR (near.starts_at, near.id) > (%(after_at)s, %(after_id)s::uuid))
GROUP BY 1, 2, 3, 4 ORDER BY near.starts_at, near.id LIMIT %(limit)s
"""


def visits_sharing(
    things: Things,
    window: Window,
    *,
    actor: Actor,
    not_of: UUID | None,
    after: tuple[datetime, UUID] | None,
    limit: int,
) -> tuple[list[dict[str, Any]], tuple[datetime, UUID] | None]:
    """Visits in the window that shared any of `things`, and by what; then the place of the next page.

    Within the actor's reach, without those of the client `not_of`. One statement. A bath's or load's `side`
    says whether it had the visit's implements before the visit or after it; `sold` is a lot that the
    client bought.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            _SHARED,
            {
                "start": window.start,
                "end": window.end,
                "place": actor.location_id,
                "client": not_of,
                "kits": list(things.kits),
                "baths": list(things.baths),
                "loads": list(things.loads),
                "rooms": list(things.rooms),
                "practitioners": list(things.practitioners),
                "products": list(things.products),
                "lots": list(things.lots),
                "containers": list(things.containers),
                "after_at": after and after[0],
                "after_id": after and after[1],
                "limit": limit + 1,
            },
        )
        rows = cursor.fetchall()
    more, rows = len(rows) > limit, rows[:limit]
    names = ("visit_id", "client_id", "location_id", "starts_at")
    found = [dict(zip(names, row[:4], strict=True)) | {"via": orjson.loads(row[4])} for row in rows]
    return found, (rows[-1][3], rows[-1][0]) if more else None
