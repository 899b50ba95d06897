"""Reads of what is missing from kits."""

from collections.abc import Collection
from typing import Any
from uuid import UUID

from compliance.disinfection.models import Implement, KitUse, MissingPiece
from compliance.disinfection.rules.counting import SEARCH, Search


def use_of(kit_id: UUID, visit_id: UUID) -> KitUse | None:
    """That a kit was opened for a visit, if it was; the last time."""
    rows = KitUse.objects.filter(kit_id=kit_id, visit_id=visit_id)
    return rows.order_by("-opened_at").first()


def counted_out(use: KitUse) -> list[UUID]:
    """What went out with a kit. Before counts were kept, the kit's implements stand for it."""
    if use.implement_ids:
        return [UUID(each) for each in use.implement_ids]
    return list(Implement.objects.filter(kit_id=use.kit_id).values_list("id", flat=True))


def missing_after(kit_id: UUID, visit_id: UUID) -> list[MissingPiece]:
    """What a kit still misses from a visit, locked."""
    rows = MissingPiece.objects.select_for_update(of=("self",), no_key=True)
    return list(rows.filter(kit_id=kit_id, visit_id=visit_id, settled_at=None).order_by("id"))


def searches_of(visit_id: UUID | None) -> tuple[Search, ...]:
    """Every search for a piece that went missing at a visit, open or over."""
    if visit_id is None:
        return ()
    rows = MissingPiece.objects.filter(visit_id=visit_id).select_related("implement")
    return tuple(
        Search(tag=row.implement.tag, since=row.missed_at, until=row.settled_at)
        for row in rows.order_by("missed_at", "id")
    )


def missing_of(implement_ids: Collection[UUID]) -> set[UUID]:
    """Which of these are missing now: they are not there for anything to be done to them."""
    rows = MissingPiece.objects.filter(implement_id__in=implement_ids, settled_at=None)
    return set(rows.values_list("implement_id", flat=True))


def missing_at(location_id: UUID) -> list[dict[str, Any]]:
    """What is missing at a location now, longest first."""
    rows = MissingPiece.objects.filter(location_id=location_id, settled_at=None)
    return [
        {
            "id": row.id,
            "kit_id": row.kit_id,
            "implement_id": row.implement_id,
            "tag": row.implement.tag,
            "name": row.implement.name,
            "visit_id": row.visit_id,
            "missed_at": row.missed_at,
            "missed_by": row.missed_by,
            "what_to_do": SEARCH,
        }
        for row in rows.select_related("implement").order_by("missed_at", "id")
    ]
