"""Lists of what a location has, for the apps above."""

from typing import Any
from uuid import UUID

from spa_ops.tenancy import queries
from spa_ops.tenancy.models import Location
from spa_ops.web.views import ListView

#: SQL conditions over `e` with their parameters.
Conditions = list[tuple[str, list[Any]]]


class LocationListView(ListView):
    """GET a list at `locations/{id}/things`: the location's own. Without it within reach, 404."""

    def narrower(self, place: Location) -> Conditions:
        """What holds besides of the things of `place`, from the query."""
        return []

    def filters(self, *, id: UUID) -> Conditions:
        place = queries.location(id, self.actor)
        return [("e.location_id = %s", [place.id]), *self.narrower(place)]
