"""Changing a location: here, since what goes by its opening hours is known up here alone."""

from typing import Any
from uuid import UUID

from django.urls import path

from services.actions import opening_hours as actions
from spa_ops.tenancy.api.serializers import ChangeLocation as ChangeLocationShape
from spa_ops.tenancy.api.views import ReadLocation
from spa_ops.tenancy.bodies import LOCATION
from spa_ops.tenancy.models import Location
from spa_ops.web.views import LEADS, Edit, several


class ChangeLocation(Edit):
    """Change a location's name, hours, house policy or establishment licence.

    With other hours rooms are ready until the closing that holds then, and a bath that ends at closing
    ends sooner where that comes sooner: never later than was said when it was mixed.
    """

    access = {"PATCH": LEADS}
    input = ChangeLocationShape
    entity = LOCATION

    def handle(self, *, id: UUID, **given: Any) -> Location:
        return actions.change_location(location_id=id, **given)


urlpatterns = [path("locations/<uuid:id>", several(ReadLocation, ChangeLocation).as_view())]
