"""Money of a visit, pure: charges per line, what is owed, what may go back. Integer minor units.

Only a currency's minor units (ISO 4217) are counted; no fraction of one ever exists.
"""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from spa_ops.kernel.problems import invalid

#: 10,000 basis points are the whole.
_WHOLE = 10_000
#: Payment card numbers have 13 to 19 digits; ISO/IEC 7812-1 allows up to 19 and sets the check digit.
_CARD_DIGITS = range(13, 20)
_DIGIT_RUN = re.compile(r"\d(?:[\W_]{0,2}\d){12,}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """What one line costs: price, less discount, plus tax and tip. None is negative (ValueError)."""

    price_minor: int = 0
    discount_minor: int = 0
    tax_minor: int = 0
    tip_minor: int = 0

    def __post_init__(self) -> None:
        parts = (self.price_minor, self.discount_minor, self.tax_minor, self.tip_minor)
        if min(parts) < 0 or self.discount_minor > self.price_minor:
            raise ValueError("no amount is negative and no discount above its price")

    @property
    def owed_minor(self) -> int:
        return self.price_minor - self.discount_minor + self.tax_minor + self.tip_minor


NOTHING = Amounts()


def tax_minor(net_minor: int, basis_points: int) -> int:
    """Tax on `net_minor`, rounded half up to a whole minor unit (house policy).

    It is rounded per line, so that each practitioner's lines add up to the visit's tax.
    """
    return (net_minor * basis_points + _WHOLE // 2) // _WHOLE


def charged(
    *, price_minor: int, discount_minor: int = 0, tip_minor: int = 0, tax_basis_points: int
) -> Amounts:
    """The amounts of a line. Tax is on the price less discount; a tip is not taxed (house policy).

    Raises `InvalidInput` for a negative amount or a discount above the price.
    """
    for name, value in (("price", price_minor), ("discount", discount_minor), ("tip", tip_minor)):
        if value < 0:
            raise invalid(f"/{name}_minor", "must not be negative")
    if discount_minor > price_minor:
        raise invalid("/discount_minor", "must not be more than the price")
    return Amounts(
        price_minor=price_minor,
        discount_minor=discount_minor,
        tax_minor=tax_minor(price_minor - discount_minor, tax_basis_points),
        tip_minor=tip_minor,
    )


class Basis(StrEnum):
    """Where a line's amounts come from."""

    CHARGED = "charged"
    #: The price list's, or what was agreed when the line was stopped.
    PRICE = "price"
    #: It was priced in another currency than the location's: somebody has to agree a price first.
    PRICE_NEEDED = "price_needed"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMoney:
    """What one line costs as things stand, and why."""

    basis: Basis
    amounts: Amounts


def line_money(
    *,
    is_dropped: bool,
    visit_takes_place: bool,
    price_minor: int | None,
    charge: Amounts | None,
    tax_basis_points: int,
) -> LineMoney:
    """What a line costs: the charge that holds, else its price; a dropped line nothing.

    `price_minor` is None for a line priced in another currency. A visit that was cancelled or not
    come to costs only what was charged for it (house policy).
    """
    if is_dropped or (charge is None and not visit_takes_place):
        return LineMoney(basis=Basis.NOTHING, amounts=NOTHING)
    if charge is not None:
        return LineMoney(basis=Basis.CHARGED, amounts=charge)
    if price_minor is None:
        return LineMoney(basis=Basis.PRICE_NEEDED, amounts=NOTHING)
    amounts = charged(price_minor=price_minor, tax_basis_points=tax_basis_points)
    return LineMoney(basis=Basis.PRICE, amounts=amounts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Owed, paid, and the rest: positive is still owed, negative is to be given back."""

    owed_minor: int
    paid_minor: int

    @property
    def balance_minor(self) -> int:
        return self.owed_minor - self.paid_minor


def balance(lines: Iterable[LineMoney], paid_minor: Iterable[int]) -> Balance:
    """The balance over all lines and all payment rows (refunds and voids count negative)."""
    return Balance(
        owed_minor=sum(line.amounts.owed_minor for line in lines), paid_minor=sum(paid_minor)
    )


def left_of(payment_minor: int, given_back_minor: Iterable[int]) -> int:
    """What may still be given back of one payment; its refunds and voids are negative amounts."""
    return payment_minor + sum(given_back_minor)


class WhyNotVoidable(StrEnum):
    """Why a payment cannot be voided; it can be refunded."""

    OTHER_DAY = "other_day"
    GIVEN_BACK = "given_back"


def why_not_voidable(
    *, payment_minor: int, left_minor: int, taken_on: date, today: date
) -> WhyNotVoidable | None:
    """A payment is voided as a whole, on the local day it was taken (house policy), else refunded."""
    if left_minor != payment_minor:
        return WhyNotVoidable.GIVEN_BACK
    return WhyNotVoidable.OTHER_DAY if today != taken_on else None


def holds_card_number(text: str) -> bool:
    """Whether `text` has 13 to 19 digits in a row, also grouped, whose check digit is right.

    The check is the Luhn formula of ISO/IEC 7812-1 annex B. Every stretch of a longer row is
    tried, since an expiry date may follow; one harmless number in ten is refused, too.
    """
    plain = unicodedata.normalize("NFKC", text)
    for run in _DIGIT_RUN.finditer(plain):
        digits = [int(c) for c in run.group() if c.isdecimal()]
        for start in range(len(digits) - _CARD_DIGITS.start + 1):
            for length in _CARD_DIGITS:
                if start + length <= len(digits) and luhn_is_valid(digits[start : start + length]):
                    return True
    return False


def luhn_is_valid(digits: list[int]) -> bool:
    """From the right, every second digit counts double (less 9 above 9); the sum is a multiple of 10."""
    doubled = [d * 2 - 9 * (d > 4) for d in digits[-2::-2]]
    return (sum(digits[-1::-2]) + sum(doubled)) % 10 == 0
