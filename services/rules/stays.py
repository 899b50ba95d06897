"""How long what was said and seen in a consultation speaks for the visit. Pure."""

from datetime import date, datetime, timedelta

from spa_ops.kernel.clock import local_date

#: House policy, no source: past midnight a consultation speaks for so long since the client came.
#: Whoever is still in the room by then was most likely not recorded as gone, and is asked anew.
LONGEST_STAY = timedelta(hours=8)


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
