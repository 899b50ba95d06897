"""Charges, payments and check-out. Money is counted here and nowhere else; no row is ever changed.

Every action locks the visit first, so that two people at the desk decide one after the other;
the location's receipt counter is locked last, because everybody who takes money needs it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import connection

from services.models import (
    Charge,
    Line,
    LineState,
    Payment,
    PaymentKind,
    PaymentMeans,
    Visit,
    VisitState,
)
from services.problems import (
    CurrencyMismatch,
    LinesOpen,
    NotPaid,
    NotVoidable,
    Overpaid,
    PriceNeeded,
    RefundTooLarge,
)
from services.queries import checkout as queries
from services.queries.visits import OPEN, line_and_visit, locked_visit
from services.rules.money import (
    Amounts,
    Basis,
    LineMoney,
    charged,
    holds_card_number,
    why_not_voidable,
)
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

WAS_HERE = frozenset({VisitState.ARRIVED, VisitState.IN_ROOM, VisitState.LEFT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Who counts money when, for which visit (locked), in which place."""

    actor: Actor
    now: datetime
    visit: Visit
    place: Location

    @property
    def account(self) -> queries.Account:
        return queries.account_of(self.visit, self.place)


def desk_of(actor: Actor, now: datetime, visit: Visit, currency: str | None) -> Desk:
    """The desk for a locked visit; raises `CurrencyMismatch`, `NotFound`."""
    place = tenancy.location(visit.location_id, actor)
    if currency is not None and currency != place.currency:
        raise CurrencyMismatch(currency=place.currency)
    return Desk(actor=actor, now=now, visit=visit, place=place)


@action
def charge_line(
    *,
    actor: Actor,
    now: datetime,
    line_id: UUID,
    price_minor: int | None = None,
    discount_minor: int | None = None,
    tip_minor: int | None = None,
    currency: str | None = None,
) -> Charge:
    """What a line costs from now on, in minor units; what is not given stays as it stands.

    Tax follows from the location's house policy. A line that is priced in another currency, or
    whose visit will not take place, needs `price_minor`. Raises `InvalidInput`,
    `CurrencyMismatch`, `NotFound`, and `WrongState` for a dropped line.
    """
    line, visit = line_and_visit(line_id, actor)
    desk = desk_of(actor, now, visit, currency)
    if line.state == LineState.DROPPED:
        raise WrongState(thing="line", state=line.state, needed="a line that was not dropped")
    amounts = _amounts(
        desk,
        desk.account.money_of(line.id),
        price_minor=price_minor,
        discount_minor=discount_minor,
        tip_minor=tip_minor,
    )
    charge = _charge(desk, line, amounts)
    charge.save(force_insert=True)
    facts = {"line_id": line.id, "charge_id": charge.id, "practitioner_id": line.practitioner_id}
    parts = ("currency", "price_minor", "discount_minor", "tax_minor", "tip_minor")
    money_evidence(desk, "visit.charged", facts | {name: getattr(charge, name) for name in parts})
    return charge


def _amounts(
    desk: Desk,
    before: LineMoney,
    *,
    price_minor: int | None,
    discount_minor: int | None,
    tip_minor: int | None,
) -> Amounts:
    if price_minor is None and before.basis not in {Basis.CHARGED, Basis.PRICE}:
        raise invalid("/price_minor", "must be given: no price stands for this line", "required")
    stands = before.amounts
    return charged(
        price_minor=stands.price_minor if price_minor is None else price_minor,
        discount_minor=stands.discount_minor if discount_minor is None else discount_minor,
        tip_minor=stands.tip_minor if tip_minor is None else tip_minor,
        tax_basis_points=tenancy.policy_of(desk.place).tax_basis_points,
    )


def _charge(desk: Desk, line: Line, amounts: Amounts) -> Charge:
    newest = queries.newest_charges(desk.visit.id).get(line.id)
    at = desk.now
    if newest is not None:
        # The newest charge of a line holds, so no two of them share an instant.
        at = max(at, newest.recorded_at + timedelta(microseconds=1))
    return Charge(
        id=uuid7(),
        business_id=desk.visit.business_id,
        visit=desk.visit,
        line=line,
        practitioner_id=line.practitioner_id,
        currency=desk.place.currency,
        price_minor=amounts.price_minor,
        discount_minor=amounts.discount_minor,
        tax_minor=amounts.tax_minor,
        tip_minor=amounts.tip_minor,
        recorded_at=at,
        recorded_by=desk.actor.person_id,
    )


@action
def take_payment(
    *,
    actor: Actor,
    now: datetime,
    visit_id: UUID,
    means: str,
    amount_minor: int,
    currency: str,
    paid_by: str = "",
    id: UUID | None = None,
) -> Payment:
    """Take all or part of what is owed, before, at or after the visit, from whoever pays.

    Never blocks, and is never needed for, anything that happens in a room. Raises `Overpaid`,
    `CurrencyMismatch`, `NotFound`, `InvalidInput` (also for a card number in `paid_by`).
    """
    desk = desk_of(actor, now, locked_visit(visit_id, actor), currency)
    check_no_card_number("/paid_by", paid_by)
    row = _payment(desk, PaymentKind.PAYMENT, means, amount_minor, id)
    balance_minor = desk.account.total.balance_minor
    if amount_minor > balance_minor:
        raise Overpaid(balance_minor=balance_minor, currency=desk.place.currency)
    row.paid_by = paid_by
    return _recorded(desk, row, "payment.taken", {"paid_by": paid_by or None})


@action
def refund_payment(
    *,
    actor: Actor,
    now: datetime,
    payment_id: UUID,
    amount_minor: int,
    currency: str,
    reason: str,
    means: str | None = None,
    id: UUID | None = None,
) -> Payment:
    """Give back all or part of one payment, by the same means unless said.

    Raises `RefundTooLarge` above what is left of it, `CurrencyMismatch`, `WrongState` for a row
    that is itself a refund or void, `NotFound`, `InvalidInput`.
    """
    payment, visit = _payment_and_visit(payment_id, actor, reason)
    desk = desk_of(actor, now, visit, currency)
    row = _payment(desk, PaymentKind.REFUND, means or payment.means, amount_minor, id)
    left_minor = desk.account.left_of(payment)
    if amount_minor > left_minor:
        raise RefundTooLarge(left_minor=left_minor)
    row.of_payment, row.reason = payment, reason
    return _recorded(desk, row, "payment.refunded", {"reason": reason})


@action
def void_payment(
    *, actor: Actor, now: datetime, payment_id: UUID, reason: str, id: UUID | None = None
) -> Payment:
    """Undo a payment that was entered by mistake: as a whole, on the local day it was taken.

    Raises `NotVoidable`, `WrongState` for a row that is itself a refund or void, `NotFound`,
    `InvalidInput`.
    """
    payment, visit = _payment_and_visit(payment_id, actor, reason)
    desk = desk_of(actor, now, visit, None)
    why = why_not_voidable(
        payment_minor=payment.amount_minor,
        left_minor=desk.account.left_of(payment),
        taken_on=local_date(payment.recorded_at, desk.place.zone),
        today=local_date(now, desk.place.zone),
    )
    if why is not None:
        raise NotVoidable(why=why.value)
    row = _payment(desk, PaymentKind.VOID, payment.means, payment.amount_minor, id)
    row.of_payment, row.reason = payment, reason
    return _recorded(desk, row, "payment.voided", {"reason": reason})


def _payment_and_visit(payment_id: UUID, actor: Actor, reason: str) -> tuple[Payment, Visit]:
    payment = tenancy.loaded(Payment, payment_id, actor)
    if payment.kind != PaymentKind.PAYMENT:
        raise WrongState(thing="row", state=payment.kind, needed="a payment")
    if not reason.strip():
        raise invalid("/reason", "must say why", "required")
    check_no_card_number("/reason", reason)
    # Payments are append-only, so nobody may lock one: the visit's lock orders two refunds at once.
    return payment, locked_visit(payment.visit_id, actor)


def _payment(
    desk: Desk, kind: PaymentKind, means: str, amount_minor: int, row_id: UUID | None
) -> Payment:
    if means not in PaymentMeans.values:
        raise invalid("/means", f"must be one of {', '.join(PaymentMeans.values)}")
    if amount_minor <= 0:
        raise invalid("/amount_minor", "must be more than nothing")
    return Payment(
        id=row_id or uuid7(),
        business_id=desk.visit.business_id,
        visit=desk.visit,
        location=desk.place,
        kind=kind,
        means=means,
        amount_minor=amount_minor if kind is PaymentKind.PAYMENT else -amount_minor,
        currency=desk.place.currency,
        recorded_at=desk.now,
        recorded_by=desk.actor.person_id,
    )


def _recorded(desk: Desk, row: Payment, kind: str, personal: dict[str, Any]) -> Payment:
    row.receipt_number = _next_receipt_number(desk.place)
    row.save(force_insert=True)
    names = ("receipt_number", "means", "amount_minor", "currency")
    facts = {"payment_id": row.id} | {name: getattr(row, name) for name in names}
    if row.of_payment_id is not None:
        facts["of_payment_id"] = row.of_payment_id
    money_evidence(desk, kind, facts, personal if any(personal.values()) else None)
    return row


def _next_receipt_number(place: Location) -> int:
    # The row stays locked until commit: a payment that is rolled back gives its number back.
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO services_receipt_counter AS c (id, business_id, last_number) "
            "VALUES (%s, %s, 1) "
            "ON CONFLICT (id) DO UPDATE SET last_number = c.last_number + 1 RETURNING last_number",
            [place.id, place.business_id],
        )
        number: int = cursor.fetchone()[0]
        return number


def money_evidence(
    desk: Desk, kind: str, facts: dict[str, Any], personal: dict[str, Any] | None = None
) -> None:
    """One entry about a visit's money, which opens a visit again for which something is owed now."""
    visit = desk.visit
    current().evidence(
        kind,
        location_id=visit.location_id,
        subject_id=visit.id,
        facts={"visit_id": visit.id, **facts, "check_out_undone": _reopened(desk)},
        personal=personal,
        client_id=visit.client_id if personal is not None else None,
    )


def _reopened(desk: Desk) -> bool:
    """A visit is checked out only while nothing is owed for it."""
    visit = desk.visit
    if visit.checked_out_at is None or desk.account.total.balance_minor <= 0:
        return False
    visit.checked_out_at = None
    put(visit, fields=["checked_out_at"])
    return True


@action
def check_out(*, actor: Actor, now: datetime, visit_id: UUID) -> Visit:
    """Close a visit whose lines are all over and for which nothing is owed.

    Raises `NotPaid` with the balance, `PriceNeeded`, `LinesOpen`, `WrongState` for a client who
    did not come or was checked out before, `NotFound`.
    """
    desk = desk_of(actor, now, locked_visit(visit_id, actor), None)
    visit = desk.visit
    if visit.checked_out_at is not None:
        raise WrongState(thing="visit", state="checked out", needed="a visit that is not")
    if visit.state not in WAS_HERE:
        raise WrongState(thing="visit", state=visit.state, needed="a client who came")
    account = desk.account
    _check_settled(account)
    visit.checked_out_at = now
    put(visit, fields=["checked_out_at"])
    current().evidence(
        "visit.checked_out",
        location_id=visit.location_id,
        subject_id=visit.id,
        facts={
            "visit_id": visit.id,
            "owed_minor": account.total.owed_minor,
            "paid_minor": account.total.paid_minor,
            "currency": account.currency,
        },
    )
    return visit


def _check_settled(account: queries.Account) -> None:
    still_open = [line.id for line, _ in account.lines if line.state in OPEN]
    if still_open:
        raise LinesOpen(count=len(still_open), line_ids=still_open)
    unpriced = [line.id for line, money in account.lines if money.basis is Basis.PRICE_NEEDED]
    if unpriced:
        raise PriceNeeded(count=len(unpriced), line_ids=unpriced)
    if account.total.balance_minor > 0:
        raise NotPaid(balance_minor=account.total.balance_minor, currency=account.currency)


def check_no_card_number(pointer: str, text: str) -> None:
    """A card number is the terminal's to keep: raises `InvalidInput` where a text holds one."""
    if holds_card_number(text):
        raise invalid(pointer, "must not hold a card number", "card-number")
