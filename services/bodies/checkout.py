"""What the API shows of a visit's money. It is counted by rules, so unlike other bodies not made in SQL.

No feed carries it: a tablet in a treatment room has no use for who paid.
"""

from typing import Any

from services.models import Line, Payment
from services.queries.checkout import Account
from services.queries.sales import Sold
from services.rules.money import LineMoney
from spa_ops.kernel.clock import rfc3339
from spa_ops.web.entities import array_of, object_schema

CHARGE_SCHEMA = object_schema(
    line_id="uuid", practitioner_id="uuid", basis="str", price_minor="int", discount_minor="int",
    tax_minor="int", tip_minor="int", owed_minor="int",
)  # fmt: skip
PAYMENT_SCHEMA = object_schema(
    id="uuid", receipt_number="int", kind="str", means="str", amount_minor="int", left_minor="int",
    of_payment_id="uuid?", paid_by="str", reason="str", recorded_at="datetime", recorded_by="uuid?",
)  # fmt: skip
SALE_SCHEMA = object_schema(
    id="uuid", item_id="uuid", item="str", unit="str", quantity="int", lot_numbers="[str]", basis="str",
    price_minor="int", discount_minor="int", tax_minor="int", owed_minor="int", recorded_at="datetime",
    recorded_by="uuid?", undone="str?", undone_at="datetime?",
)  # fmt: skip
ACCOUNT_SCHEMA = object_schema(
    visit_id="uuid",
    currency="str",
    charges=array_of(CHARGE_SCHEMA),
    sales=array_of(SALE_SCHEMA),
    payments=array_of(PAYMENT_SCHEMA),
    owed_minor="int",
    paid_minor="int",
    balance_minor="int",
    checked_out_at="datetime?",
)


def account_body(account: Account) -> dict[str, Any]:
    """A visit's account as JSON values."""
    closed = account.visit.checked_out_at
    return {
        "visit_id": account.visit.id,
        "currency": account.currency,
        "charges": [charge_body(line, money) for line, money in account.lines],
        "sales": [sale_body(one) for one in account.sales],
        "payments": [payment_body(p, account) for p in account.payments],
        "owed_minor": account.total.owed_minor,
        "paid_minor": account.total.paid_minor,
        "balance_minor": account.total.balance_minor,
        "checked_out_at": rfc3339(closed) if closed else None,
    }


def charge_body(line: Line, money: LineMoney) -> dict[str, Any]:
    """What one line costs as JSON values."""
    amounts = money.amounts
    return {
        "line_id": line.id,
        "practitioner_id": line.practitioner_id,
        "basis": money.basis.value,
        "price_minor": amounts.price_minor,
        "discount_minor": amounts.discount_minor,
        "tax_minor": amounts.tax_minor,
        "tip_minor": amounts.tip_minor,
        "owed_minor": amounts.owed_minor,
    }


def sale_body(one: Sold) -> dict[str, Any]:
    """One sale as JSON values: what it was sold for, and what is owed for it as it stands."""
    sale = one.sale
    return {
        "id": sale.id,
        "item_id": sale.item_id,
        "item": sale.item.name,
        "unit": sale.item.unit,
        "quantity": sale.quantity,
        "lot_numbers": list(one.lot_numbers),
        "basis": one.money.basis.value,
        "price_minor": sale.price_minor,
        "discount_minor": sale.discount_minor,
        "tax_minor": sale.tax_minor,
        "owed_minor": one.money.amounts.owed_minor,
        "recorded_at": rfc3339(sale.recorded_at),
        "recorded_by": sale.recorded_by,
        "undone": one.undone,
        "undone_at": rfc3339(one.undone_at) if one.undone_at else None,
    }


def payment_body(row: Payment, account: Account) -> dict[str, Any]:
    """One payment, refund or void as JSON values."""
    return {
        "id": row.id,
        "receipt_number": row.receipt_number,
        "kind": row.kind,
        "means": row.means,
        "amount_minor": row.amount_minor,
        "left_minor": account.left_of(row),
        "of_payment_id": row.of_payment_id,
        "paid_by": row.paid_by,
        "reason": row.reason,
        "recorded_at": rfc3339(row.recorded_at),
        "recorded_by": row.recorded_by,
    }
