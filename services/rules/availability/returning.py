"""From which minutes on a kit may go back: as bits, over a ruler. `rules.kits.WayBack` says how it goes back.

For a whole month at once: where nothing has to be waited for, the way back has one length; elsewhere
it ends at one instant for a whole run of minutes, since whoever waits comes out of the same batch.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from services.rules.availability.bits import MINUTE, Ruler, filled, held
from services.rules.kits import WayBack


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A kit whose turnover ends in a minute from `first` up to, not including, `end` is there again at `back`."""

    first: int
    end: int
    back: int


def runs_of(way: WayBack, kits: int, ruler: Ruler) -> list[Run]:
    """The runs in which something has to be waited for, in order and apart."""
    return list(_to_set_times(way, kits, ruler) if way.set_times else _past_full(way, kits, ruler))


def free_until_back(there: int, way: WayBack, kits: int, runs: Iterable[Run], ruler: Ruler) -> int:
    """The minutes from which on the bits `there` are set until the kit is back."""
    known = [r for r in runs if r.first < r.end]
    waited = filled([r.first for r in known], [r.end for r in known]) if known else 0
    found = 0
    if not way.set_times:
        found = held(there, way.least(kits)) & ~waited
    for run in known:
        if run.back <= ruler.length:
            taken = ~there & ((1 << run.back) - 1)
            first = max(run.first, taken.bit_length())
            if first < run.end:
                found |= (1 << run.end) - (1 << first)
    return found & ruler.everything


def _past_full(way: WayBack, kits: int, ruler: Ruler) -> Iterable[Run]:
    contact = way.contact_of(kits)
    before, behind = way.wait + way.wash, contact + way.rinse_and_dry
    reached: tuple[int, int] | None = None
    for full in way.full(kits):
        # Into the bath at these minutes, and it would be full before the contact time is over.
        first = (full.start - contact * MINUTE - ruler.origin) // MINUTE + 1
        end = -((ruler.origin - full.end) // MINUTE)
        if reached is not None and first <= reached[1]:
            reached = (reached[0], max(reached[1], end))
            continue
        if reached is not None:
            yield _run(*reached, before, behind, ruler)
        reached = (first, end)
    if reached is not None:
        yield _run(*reached, before, behind, ruler)


def _run(first: int, end: int, before: int, behind: int, ruler: Ruler) -> Run:
    return Run(first=max(0, first - before), end=min(ruler.length, end - before), back=end + behind)


def _to_set_times(way: WayBack, kits: int, ruler: Ruler) -> Iterable[Run]:
    first, full = 0, way.full(kits)
    while first < ruler.length:
        back_at = way.of(ruler.at(first), kits, full).back_at
        end = _last_for(way, kits, ruler, back_at, first) + 1
        yield Run(
            first=first,
            end=min(ruler.length, end),
            back=-((ruler.origin - back_at) // MINUTE),
        )
        first = end


def _last_for(way: WayBack, kits: int, ruler: Ruler, back_at: datetime, first: int) -> int:
    """The last minute whose kit is still back at `back_at`: the one that the set time is just in time for."""
    after = timedelta(minutes=way.wash + way.contact_of(kits) + way.rinse_and_dry)
    last = (back_at - after - ruler.origin) // MINUTE - way.wait
    # Where no set time was left, the wait has an end that is no set time.
    return max(first, last)
