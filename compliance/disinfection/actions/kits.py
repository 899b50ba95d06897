"""Kits and their implements; a kit opened for a visit counts as soiled from then on."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from compliance.disinfection import queries
from compliance.disinfection.actions.reprocessing import record
from compliance.disinfection.models import Implement, Kit, KitUse
from compliance.disinfection.problems import KitEmpty
from compliance.disinfection.rules.labels import Material
from compliance.disinfection.rules.reprocessing import EventKind, ImplementClass
from spa_ops.claims import actions as claims
from spa_ops.claims.models import BookableKind
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.ids import uuid7
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current


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
    materials: Sequence[Material] = (),
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
        materials=sorted({m.value for m in materials}),
    )
    row.save(force_insert=True)
    put(kit, fields=[])
    _kit_evidence("implement.added", kit, {"implement_id": row.id, "class": row.kind})
    return kit


@action
def open_kit(*, actor: Actor, now: datetime, kit_id: UUID, visit_id: UUID) -> Kit:
    """A kit is opened for a visit and counted out: all of it counts as soiled from here on, used or not.

    That an implement was not cleared is recorded, never hidden; the line then does not start. Once all
    of it has come the whole way back meanwhile, it is opened anew.
    """
    kit = tenancy.locked(Kit, kit_id, actor)
    rows = queries.implements_in(kit.id)
    if not rows:
        raise KitEmpty
    opened = set(
        KitUse.objects.filter(kit=kit, visit_id=visit_id).values_list("cleared", flat=True)
    )
    if True in opened:
        return kit
    uncleared = [row.id for row in rows if not queries.track_of(row).may_be_used_at(now)]
    cleared = not uncleared
    if cleared in opened:
        return kit
    KitUse(
        business_id=actor.business_id,
        kit=kit,
        visit_id=visit_id,
        opened_at=now,
        cleared=cleared,
        person_id=actor.person_id,
        implement_ids=[str(row.id) for row in rows],
    ).save(force_insert=True)
    record(actor, now, kit.location, rows, EventKind.USED, at=now, visit_id=visit_id)
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
    record(
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


def _kit_evidence(kind: str, kit: Kit, facts: dict[str, Any]) -> None:
    current().evidence(
        kind, location_id=kit.location_id, subject_id=kit.id, facts={"kit_id": kit.id, **facts}
    )
