"""Endpoints of the products that touch clients' skin."""

from typing import Any
from uuid import UUID

from rest_framework import serializers as s

from clients.rules.patch_tests import LEAD_HOURS
from services.actions import skin_products as actions
from services.bodies.price_list import SKIN_PRODUCT
from spa_ops.web.views import LEADS, READERS, Command, Edit, ListView, RowView, Strict


class ChangeSkinProductShape(Strict):
    name = s.CharField(max_length=200, required=False)
    supplier = s.CharField(max_length=200, required=False)
    formula_version = s.CharField(
        max_length=80, required=False, allow_blank=True, help_text="what the label tells recipes by"
    )
    ingredients = s.ListField(
        child=s.CharField(max_length=40),
        max_length=40,
        required=False,
        allow_null=True,
        help_text="codes that screening matches allergies with; null: the label was not read",
    )
    patch_test_hours = s.ChoiceField(
        LEAD_HOURS,
        required=False,
        allow_null=True,
        help_text="the label's lead time; null: it asks for no test; not said: 48",
    )


class AddSkinProductShape(ChangeSkinProductShape):
    id = s.UUIDField(required=False)
    name = s.CharField(max_length=200)
    supplier = s.CharField(max_length=200)


class ListSkinProducts(ListView):
    """The products that touch clients' skin, by name."""

    access = {"GET": READERS}
    entity = SKIN_PRODUCT
    order = "e.name"
    order_type = "text"
    parameters = {"active": ("bool", "true: in use; false: retired")}

    def filters(self, **path: Any) -> list[tuple[str, list[Any]]]:
        active = self.query("active")
        return [] if active is None else [("e.active = %s", [active])]


class AddSkinProduct(Command):
    """Add a product as its label states it. The label's lead time decides; the default is 48 h."""

    access = {"POST": LEADS}
    input = AddSkinProductShape
    entity = SKIN_PRODUCT
    status = 201

    def handle(self, **given: Any) -> Any:
        return actions.add_skin_product(**given)


class ReadSkinProduct(RowView):
    """One product."""

    access = {"GET": READERS}
    entity = SKIN_PRODUCT


class ChangeSkinProduct(Edit):
    """Change a product. Another formula or supplier voids every patch test of it."""

    access = {"PATCH": LEADS}
    input = ChangeSkinProductShape
    entity = SKIN_PRODUCT

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.change_skin_product(skin_product_id=id, **given)


class RetireSkinProduct(Command):
    """Use a product no more. What was tested with it stays on record."""

    access = {"POST": LEADS}
    entity = SKIN_PRODUCT
    needs_match = True

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.retire_skin_product(skin_product_id=id, **given)
