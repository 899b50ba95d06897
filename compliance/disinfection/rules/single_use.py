"""What becomes of single-use items when a visit is over."""

from dataclasses import dataclass
from enum import StrEnum


class SingleUseFate(StrEnum):
    """Where a single-use item goes at turnover."""

    DISCARD = "discard"
    BACK_TO_STOCK = "back_to_stock"


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidOut:
    """How one single-use item spent the visit. What is not known counts as not so."""

    was_used: bool
    stayed_covered: bool = False
    taken_with_clean_hands: bool = False


def fate(item: LaidOut) -> SingleUseFate:
    """Discard, unless it was not used, stayed covered and was taken with clean hands.

    Thrown out at once after one client: 16 CCR 981(a). What goes back: common practice, no source.
    """
    goes_back = not item.was_used and item.stayed_covered and item.taken_with_clean_hands
    return SingleUseFate.BACK_TO_STOCK if goes_back else SingleUseFate.DISCARD
