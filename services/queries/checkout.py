"""Reads of what a visit costs, what was paid for it and what is left. Five statements, whatever the rows."""

from dataclasses import dataclass
from uuid import UUID

from services.models import Charge, Line, LineState, Payment, Visit, VisitState
from services.queries.sales import Sold, sales_of
from services.rules.money import Amounts, Balance, LineMoney, balance, left_of, line_money
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import NotFound
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

_WILL_NOT_TAKE_PLACE = frozenset({VisitState.CANCELLED, VisitState.NO_SHOW})


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A visit's money as it stands, in minor units of the location's `currency`."""

    visit: Visit
    currency: str
    lines: tuple[tuple[Line, LineMoney], ...]
    sales: tuple[Sold, ...]
    payments: tuple[Payment, ...]
    total: Balance

    def money_of(self, line_id: UUID) -> LineMoney:
        """What one line of the visit costs."""
        return next(money for line, money in self.lines if line.id == line_id)

    def left_of(self, payment: Payment) -> int:
        """What may still be given back of a payment; 0 for a refund or void."""
        if payment.of_payment_id is not None:
            return 0
        back = (p.amount_minor for p in self.payments if p.of_payment_id == payment.id)
        return left_of(payment.amount_minor, back)


def account(visit_id: UUID, actor: Actor) -> Account:
    """The account of a visit within the actor's reach; raises `NotFound`."""
    visit = tenancy.loaded(Visit, visit_id, actor)
    return account_of(visit, tenancy.location(visit.location_id, actor))


def account_of(visit: Visit, place: Location) -> Account:
    """The account of a loaded visit. Lock the visit first to decide anything by it."""
    charges = newest_charges(visit.id)
    policy = tenancy.policy_of(place)
    lines = tuple(
        (
            line,
            line_money(
                is_dropped=line.state == LineState.DROPPED,
                visit_takes_place=visit.state not in _WILL_NOT_TAKE_PLACE,
                price_minor=line.price_minor if line.currency == place.currency else None,
                charge=_holding(charges.get(line.id), line),
                tax_basis_points=policy.tax_basis_points,
            ),
        )
        for line in Line.objects.filter(visit_id=visit.id).order_by("position")
    )
    payments = tuple(Payment.objects.filter(visit_id=visit.id).order_by("receipt_number"))
    sales = sales_of(visit.id)
    return Account(
        visit=visit,
        currency=place.currency,
        lines=lines,
        sales=sales,
        payments=payments,
        total=balance(
            [money for _, money in lines] + [one.money for one in sales],
            (p.amount_minor for p in payments),
        ),
    )


def visit_of(model: type[Charge] | type[Payment], row_id: UUID | None) -> UUID:
    """The visit that a charge or payment belongs to; raises `NotFound`."""
    found = model.objects.filter(id=row_id).values_list("visit_id", flat=True).first()
    if found is None:
        raise NotFound
    return found


def newest_charges(visit_id: UUID) -> dict[UUID, Charge]:
    """The charge that holds, by line; lines never charged are left out."""
    rows = Charge.objects.filter(visit_id=visit_id).order_by("line_id", "-recorded_at")
    return {row.line_id: row for row in rows.distinct("line_id")}


def _holding(row: Charge | None, line: Line) -> Amounts | None:
    if row is None:
        return None
    if line.state == LineState.STOPPED and line.finished_at and row.recorded_at < line.finished_at:
        # The price agreed when the line was stopped is the later word.
        return None
    return Amounts(
        price_minor=row.price_minor,
        discount_minor=row.discount_minor,
        tax_minor=row.tax_minor,
        tip_minor=row.tip_minor,
    )
