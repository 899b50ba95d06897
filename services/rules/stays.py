"""How long a visit lasts for what was said in it and for the kits that were opened for it. Pure."""

from datetime import date, datetime, timedelta

from spa_ops.kernel.clock import local_date

#: House policy, no source: past midnight a consultation speaks for so long since the client came.
#: Whoever is still in the room by then was most likely not recorded as gone, and is asked anew.
LONGEST_STAY = timedelta(hours=8)


def kit_is_done(
    opened_at: datetime, *, left_at: datetime | None, called_off_at: datetime | None
) -> datetime:
    """When a visit needs no more of a kit that was opened for it at `opened_at`.

    When the client left, or it was known that none would come; never before it was opened. Whoever
    was not recorded as gone had left when the longest stay was over.
    """
    end = left_at or called_off_at
    return opened_at + LONGEST_STAY if end is None else max(end, opened_at)


def still_speaks(
    screened_on: date | None, *, arrived_at: datetime | None, now: datetime, zone: str
) -> bool:
    """Whether a consultation on the local day `screened_on` speaks for its visit at `now`.

    On its own day it does. A stay that goes on past midnight takes it along, since it is the same
    client in the same room minutes later; the hours are elapsed ones, whatever the clocks do. A day
    before the client came is of an arrival that was struck out.
    """
    if screened_on is None:
        return False
    if screened_on == local_date(now, zone):
        return True
    if arrived_at is None or screened_on < local_date(arrived_at, zone):
        return False
    return now - arrived_at <= LONGEST_STAY
