"""Charges, payments and check-out over HTTP. No field takes a card number: the terminal keeps that."""

from typing import Any
from uuid import UUID

import orjson
from django.http import HttpResponse
from rest_framework import serializers as s
from rest_framework.request import Request

from services import problems
from services.actions import checkout as actions
from services.bodies.checkout import ACCOUNT_SCHEMA, PAYMENT_SCHEMA, account_body, payment_body
from services.models import Charge, Payment, PaymentMeans
from services.queries import checkout as queries
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from spa_ops.web.entities import object_schema
from spa_ops.web.views import LEADS, STAFF, ApiView, Command, Strict, answer

#: A million of the main unit: above it somebody leant on a key. House policy.
MOST_MINOR = 100_000_000
CURRENCY = r"^[A-Z]{3}$"


class ChargeLineInput(Strict):
    price_minor = s.IntegerField(min_value=0, max_value=MOST_MINOR, required=False)
    discount_minor = s.IntegerField(min_value=0, max_value=MOST_MINOR, required=False)
    tip_minor = s.IntegerField(min_value=0, max_value=MOST_MINOR, required=False)
    currency = s.RegexField(CURRENCY, required=False, help_text="ISO 4217")


class TakePaymentInput(Strict):
    id = s.UUIDField(required=False)
    means = s.ChoiceField(PaymentMeans.values)
    amount_minor = s.IntegerField(min_value=1, max_value=MOST_MINOR)
    currency = s.RegexField(CURRENCY, help_text="ISO 4217")
    paid_by = s.CharField(
        max_length=200, required=False, allow_blank=True, help_text="if not the client"
    )


class RefundPaymentInput(Strict):
    id = s.UUIDField(required=False)
    amount_minor = s.IntegerField(min_value=1, max_value=MOST_MINOR)
    currency = s.RegexField(CURRENCY, help_text="ISO 4217")
    reason = s.CharField(max_length=500)
    means = s.ChoiceField(PaymentMeans.values, required=False)


class VoidPaymentInput(Strict):
    id = s.UUIDField(required=False)
    reason = s.CharField(max_length=500)


class ReadAccount(ApiView):
    """What a visit costs, line by line with its practitioner, what was paid, and the balance.

    Minor units of `currency`; a positive balance is still owed, a negative one is to be given back.
    `basis` says where a line's amounts come from: `charged`, `price`, `price_needed` or `nothing`.
    """

    access = {"GET": STAFF}
    output = ACCOUNT_SCHEMA

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            return answer(account_body(queries.account(id, self.actor)))


class ChargeLine(Command):
    """Set what a line costs: price, discount and tip in minor units; what is left out stays.

    Tax is added to the price less discount by the location's house policy, rounded half up per
    line. Answers the visit's account.
    """

    access = {"POST": STAFF}
    input = ChargeLineInput
    output = ACCOUNT_SCHEMA
    problems = (problems.CurrencyMismatch,)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.charge_line(line_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        visit_id = queries.visit_of(Charge, entity_id)
        return orjson.dumps(account_body(queries.account(visit_id, self.actor)))


class _Money(Command):
    """Answers the row that was written, with its receipt number, and the visit's account."""

    status = 201
    output = object_schema(payment=PAYMENT_SCHEMA, account=ACCOUNT_SCHEMA)

    def render(self, entity_id: UUID | None) -> bytes:
        account = queries.account(queries.visit_of(Payment, entity_id), self.actor)
        row = next(p for p in account.payments if p.id == entity_id)
        return orjson.dumps(
            {"payment": payment_body(row, account), "account": account_body(account)}
        )


class TakePayment(_Money):
    """Take all or part of what is owed for a visit: before it, at the desk, or later; also from others.

    Never send a card number, in any field.
    """

    access = {"POST": STAFF}
    input = TakePaymentInput
    problems = (problems.Overpaid, problems.CurrencyMismatch, Erased)

    def handle(self, *, visit: UUID, **given: Any) -> Any:
        return actions.take_payment(visit_id=visit, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        # The payment may bring its own id: the address names the visit.
        return self._command(request, visit=path["id"])


class RefundPayment(_Money):
    """Give back all or part of a payment, with a reason; by the same means unless said."""

    access = {"POST": LEADS}
    input = RefundPaymentInput
    problems = (problems.RefundTooLarge, problems.CurrencyMismatch, Erased)

    def handle(self, *, payment: UUID, **given: Any) -> Any:
        return actions.refund_payment(payment_id=payment, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, payment=path["id"])


class VoidPayment(_Money):
    """Undo a payment that was entered by mistake, on the local day it was taken, with a reason."""

    access = {"POST": LEADS}
    input = VoidPaymentInput
    problems = (problems.NotVoidable, Erased)

    def handle(self, *, payment: UUID, **given: Any) -> Any:
        return actions.void_payment(payment_id=payment, **given)

    def post(self, request: Request, **path: Any) -> HttpResponse:
        return self._command(request, payment=path["id"])


class CheckOut(Command):
    """Close a visit whose lines are over and for which nothing is owed. Answers its account.

    A later charge, refund or void that leaves something owed opens it again.
    """

    access = {"POST": STAFF}
    output = ACCOUNT_SCHEMA
    problems = (problems.NotPaid, problems.PriceNeeded, problems.LinesOpen)

    def handle(self, *, id: UUID, **given: Any) -> Any:
        return actions.check_out(visit_id=id, **given)

    def render(self, entity_id: UUID | None) -> bytes:
        assert entity_id is not None  # noqa: S101 - a check-out always answers its visit
        return orjson.dumps(account_body(queries.account(entity_id, self.actor)))
