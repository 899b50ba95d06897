"""Endpoints of the price list."""

from typing import Any
from uuid import UUID

from rest_framework import serializers as s

from clients.rule_files import shipped_rule_set
from services.actions import price_list as actions
from services.bodies.price_list import SERVICE
from spa_ops.kernel.problems import InvalidInput
from spa_ops.web.views import LEADS, READERS, Command, Edit, ListView, RowView, Strict


def _whole(name: str, help_text: str = "") -> s.IntegerField:
    fewest, most = actions.BOUNDS[name]
    return s.IntegerField(
        min_value=fewest, max_value=most, required=False, help_text=help_text or "minutes"
    )


class ChangeServiceShape(Strict):
    name = s.CharField(max_length=200, required=False)
    area = s.CharField(max_length=40, required=False, help_text="a word of the screening rules")
    method = s.CharField(max_length=40, required=False, help_text="a word of the screening rules")
    set_up_minutes = _whole("set_up_minutes")
    consultation_minutes = _whole("consultation_minutes")
    hands_on_minutes = _whole("hands_on_minutes")
    aftercare_minutes = _whole("aftercare_minutes")
    clean_up_minutes = _whole(
        "clean_up_minutes", "a plan takes more where the steps and the label's wet time need it"
    )
    shortest_hands_on_minutes = _whole(
        "shortest_hands_on_minutes", "hands-on for who comes late; 0: never shortened"
    )
    new_client_minutes = _whole(
        "new_client_minutes", "more consultation for whoever was never treated here"
    )
    developing_minutes = _whole("developing_minutes", "minutes behind the hands-on time")
    developing_attended = s.BooleanField(
        required=False, help_text="false: nobody needs to stay; never with a peel or at the eyes"
    )
    price_minor = _whole("price_minor", "minor units of the currency")
    currency = s.RegexField(
        r"^[A-Z]{3}$", max_length=3, required=False, help_text="ISO 4217, one a location takes"
    )
    rebook_weeks = s.IntegerField(
        min_value=1, max_value=52, required=False, allow_null=True, help_text="weeks"
    )
    room_features = s.ListField(
        child=s.RegexField(r"^[a-z0-9_]+$", max_length=40), max_length=20, required=False
    )
    kit_kind = s.CharField(
        max_length=40,
        required=False,
        allow_blank=True,
        help_text="the kind that kits are added with; empty: single-use items only",
    )
    needs_patch_test = s.BooleanField(required=False)
    skin_product_ids = s.ListField(
        child=s.UUIDField(),
        max_length=20,
        required=False,
        help_text="what touches the client's skin in it",
    )


class AddServiceShape(ChangeServiceShape):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=200)
    area = s.CharField(max_length=40, help_text="a word of the screening rules")
    method = s.CharField(max_length=40, help_text="a word of the screening rules")
    hands_on_minutes = s.IntegerField(min_value=1, max_value=480, help_text="minutes")
    price_minor = s.IntegerField(
        min_value=0, max_value=100_000_000, help_text="minor units of the currency"
    )


class ListServices(ListView):
    """The price list by name: all of it, or what is offered, or what is for one area."""

    access = {"GET": READERS}
    entity = SERVICE
    order = "e.name"
    order_type = "text"
    parameters = {
        "active": ("bool", "true: what is offered; false: what is retired"),
        "area": ("str", "a word of the screening rules"),
    }

    def filters(self, **path: Any) -> list[tuple[str, list[Any]]]:
        found: list[tuple[str, list[Any]]] = []
        active, area = self.query("active"), self.query("area")
        if active is not None:
            found.append(("e.active = %s", [active]))
        if area is not None:
            if area not in shipped_rule_set().tree:
                message = "must be an area that screening knows"
                raise InvalidInput({"pointer": "?area", "code": "unknown", "message": message})
            found.append(("e.area = %s", [area]))
        return found


class AddService(Command):
    """Add a service to the price list of the business. Without a currency: your location's."""

    access = {"POST": LEADS}
    input = AddServiceShape
    entity = SERVICE
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.add_service(**given)


class ReadService(RowView):
    """One service."""

    access = {"GET": READERS}
    entity = SERVICE


class ChangeService(Edit):
    """Change a service for bookings from now on; what is booked keeps its price."""

    access = {"PATCH": LEADS}
    input = ChangeServiceShape
    entity = SERVICE

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.change_service(service_id=id, **given)


class RetireService(Command):
    """Offer a service no more. What is booked of it stays booked."""

    access = {"POST": LEADS}
    entity = SERVICE
    needs_match = True

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.retire_service(service_id=id, **given)
