"""Reads of the price list."""

from spa_ops.kernel.actor import Actor
from spa_ops.tenancy.models import Location


def currencies(actor: Actor) -> set[str]:
    """The currencies that the locations within the actor's reach take money in."""
    rows = Location.objects.all()
    if actor.location_id is not None:
        rows = rows.filter(id=actor.location_id)
    return set(rows.values_list("currency", flat=True))
