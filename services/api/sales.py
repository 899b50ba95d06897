"""Retail items at the desk: sold at a visit, and undone."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from rooms.problems import NotToBeUsed, WrongPartOfStock
from services import problems
from services.actions import sales as actions
from services.actions.set_up import PRACTITIONERS
from services.api.checkout import CURRENCY, MOST_MINOR
from services.bodies.checkout import ACCOUNT_SCHEMA, SALE_SCHEMA, account_body, sale_body
from services.models import Undone
from services.queries import checkout as queries
from services.queries import sales
from services.queries.sales import Caution
from spa_ops.tenancy.sealing import Erased
from spa_ops.web.entities import object_schema
from spa_ops.web.views import STAFF, Command, Strict

#: House policy: above it somebody leant on a key.
MOST_PIECES = 1000
_CAUTION = object_schema(
    ask_practitioner="bool", allergens="[str]", read_label="bool", notice="str"
)
NOTICE = (
    "The label comes first: read it with the client before it is handed over. This compares what they "
    "declared with the ingredients on file, which may be wrong, old or not whole."
)


class SellInput(Strict):
    id = s.UUIDField(required=False)
    item_id = s.UUIDField()
    quantity = s.IntegerField(min_value=1, max_value=MOST_PIECES)
    price_each_minor = s.IntegerField(min_value=0, max_value=MOST_MINOR // MOST_PIECES)
    discount_minor = s.IntegerField(min_value=0, max_value=MOST_MINOR, required=False)
    currency = s.RegexField(CURRENCY, help_text="ISO 4217")
    lot_id = s.UUIDField(required=False)


class UndoInput(Strict):
    id = s.UUIDField(required=False)
    kind = s.ChoiceField(Undone.values)


class SellAtVisit(Command):
    """Sell so many of a retail item at a visit: on its account, and out of stock in the same moment.

    Price each and the discount on all of them in minor units; tax follows the house policy as for
    lines. Of the lot that is named, else first expired, first out; a lot past its date or called back
    is refused, more than the books have is not. `caution` holds the client's declared allergies against
    the product: `ask_practitioner` is all that the front desk is told, who works on clients sees which.
    Nothing on file about the product asks too. An answer that is repeated for its key always asks.
    """

    access = {"POST": STAFF}
    status = 201
    input = SellInput
    output = object_schema(sale=SALE_SCHEMA, caution=_CAUTION, account=ACCOUNT_SCHEMA)
    problems = (WrongPartOfStock, NotToBeUsed, problems.CurrencyMismatch, Erased)

    def handle(self, *, visit: UUID, **given: Any) -> Any:
        return actions.sell_at_visit(visit_id=visit, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The sale may bring its own id: the address names the visit.
        return self._command(request, visit=path["id"])

    def render_result(self, result: Any, result_id: UUID | None) -> bytes:
        return self._body(result.id, result.caution)

    def render(self, entity_id: UUID | None) -> bytes:
        assert entity_id is not None  # noqa: S101 - a sale always answers itself
        return self._body(entity_id, Caution(read_label=True))

    def _body(self, sale_id: UUID, caution: Caution) -> bytes:
        account = queries.account(sales.sale_of(sale_id).visit_id, self.actor)
        one = next(x for x in account.sales if x.sale.id == sale_id)
        knows = self.actor.role in PRACTITIONERS
        return orjson.dumps(
            {
                "sale": sale_body(one),
                "caution": {
                    "ask_practitioner": caution.asks,
                    "allergens": list(caution.allergens) if knows else [],
                    "read_label": caution.read_label if knows else caution.asks,
                    "notice": NOTICE,
                },
                "account": account_body(account),
            }
        )


class UndoSale(Command):
    """Undo a sale: a `mistake`, or brought back `unopened` (both are in stock again) or `opened` (it is not).

    Nothing is owed for it any more; what was paid is given back as a refund.
    """

    access = {"POST": STAFF}
    input = UndoInput
    output = object_schema(sale=SALE_SCHEMA, account=ACCOUNT_SCHEMA)

    def handle(self, *, sale: UUID, **given: Any) -> Any:
        return actions.undo_sale(sale_id=sale, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, sale=path["id"])

    def render(self, entity_id: UUID | None) -> bytes:
        sale_id, visit_id = sales.visit_of_undoing(entity_id)
        account = queries.account(visit_id, self.actor)
        one = next(x for x in account.sales if x.sale.id == sale_id)
        return orjson.dumps({"sale": sale_body(one), "account": account_body(account)})
