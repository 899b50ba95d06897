"""Reads of the price list."""

from collections.abc import Sequence
from uuid import UUID

from services.models import Service, SkinProduct
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy.models import Location


def currencies(actor: Actor) -> set[str]:
    """The currencies that the locations within the actor's reach take money in."""
    rows = Location.objects.all()
    if actor.location_id is not None:
        rows = rows.filter(id=actor.location_id)
    return set(rows.values_list("currency", flat=True))


def skin_products(ids: Sequence[UUID]) -> set[UUID]:
    """Those of `ids` that are products in use."""
    if not ids:
        return set()
    return set(SkinProduct.objects.filter(id__in=ids, active=True).values_list("id", flat=True))


def services_with_kits() -> list[Service]:
    """What is offered and needs a kit, by name."""
    rows = Service.objects.filter(active=True).exclude(kit_kind="")
    return list(rows.order_by("name", "id"))
