"""Endpoints of what is due. Nobody writes it: a check clears itself when what it asks for is done."""

from django.urls import path

from services.bodies.due_checks import DUE_CHECK
from services.rules.due_checks import DueKind
from spa_ops.kernel.problems import InvalidInput
from spa_ops.tenancy.api.at_location import Conditions, LocationListView
from spa_ops.tenancy.models import Location
from spa_ops.web.views import READERS, RowView


class ListDueChecks(LocationListView):
    """What is due at a location, the longest due first: tests, licences, baths, kits, lists, stock.

    Level 0 is a warning, 1 is due, 2 and 3 are past the location's thresholds.
    """

    access = {"GET": READERS}
    entity = DUE_CHECK
    tag = "due checks"
    order = "e.due_at"
    order_type = "timestamptz"
    parameters = {
        "open": ("bool", "only what is not done yet"),
        "kind": ("str", "one of " + ", ".join(DueKind)),
    }

    def narrower(self, place: Location) -> Conditions:
        found: Conditions = []
        if self.query("open"):
            found.append(("e.cleared_at IS NULL", []))
        if kind := self.query("kind"):
            if kind not in set(DueKind):
                message = "must be one of " + ", ".join(DueKind)
                raise InvalidInput({"pointer": "?kind", "code": "invalid", "message": message})
            found.append(("e.kind = %s", [kind]))
        return found


class ReadDueCheck(RowView):
    """One thing that is or was due."""

    access = {"GET": READERS}
    entity = DUE_CHECK
    tag = "due checks"


urlpatterns = [
    path("locations/<uuid:id>/due-checks", ListDueChecks.as_view()),
    path("due-checks/<uuid:id>", ReadDueCheck.as_view()),
]
