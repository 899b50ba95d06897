"""A kit's way back to where it can be used again, and how many kits a day needs. Pure.

Kits of one kind can stand for each other, so what counts is how many are in use at once: spans on a
line can be shared out among as many kits as the most that overlap, and never among fewer (an
interval graph needs as many colours as its largest clique has members).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period, at_local
from spa_ops.tenancy.rules import HousePolicy, wall_times

#: House policy, no source: what is not seen to within two weeks of set times is not planned for.
_MOST_DAYS = 14
_DAY, _MINUTE = timedelta(days=1), timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """One kit's way back: from when to when it lies in the soak solution, and when it is there again.

    With no contact time known it is lifted when it would have gone in.
    """

    soaks_at: datetime
    lifted_at: datetime
    back_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class WayBack:
    """What a kit goes through after the turnover, in whole minutes, before it can be used again.

    It waits to be seen to, is washed, soaks for the contact time, is rinsed and dried. With `set_times`
    somebody sees to kits at these wall times only. A bath takes `capacity` kits at once (0: any
    number), and `soaking` is when others lie in it; who finds no place waits for the next batch.
    """

    wait: int = 0
    wash: int = 0
    contact: int = 0
    rinse_and_dry: int = 0
    set_times: tuple[time, ...] = ()
    capacity: int = 0
    soaking: tuple[Period, ...] = ()
    zone: str = "UTC"

    @property
    def is_planned(self) -> bool:
        """Whether a kit is away at all."""
        return bool(self.unhindered or self.set_times)

    @property
    def waits(self) -> bool:
        """Whether a kit may have to wait for a set time or for a place in the bath."""
        return bool(self.set_times or (self.capacity and self.contact))

    @property
    def unhindered(self) -> int:
        """Minutes of the way where nothing has to be waited for but somebody who sees to it."""
        return self.wait + self.wash + self.contact + self.rinse_and_dry

    def contact_of(self, kits: int) -> int:
        """How long a visit's kits soak, one batch after the other where the bath does not take all."""
        return self.contact * (-(-kits // self.capacity) if self.capacity else 1)

    def least(self, kits: int) -> int:
        """Minutes that each of a visit's kits is away at least."""
        return self.unhindered - self.contact + self.contact_of(kits)

    def full(self, kits: int) -> tuple[Period, ...]:
        """When the bath has no place for so many more kits; of more than it takes it must be empty."""
        if not self.capacity or not self.contact:
            return ()
        return while_in_use(self.soaking, self.capacity - min(kits, self.capacity) + 1)

    def of(self, end: datetime, kits: int = 1, full: Sequence[Period] | None = None) -> Return:
        """The way back of one of a visit's `kits` kits, from the end of its turnover; whole minutes on.

        Each waits until there is place for all of them, so that the bath is never promised twice.
        `full` is that of so many kits, where it is known.
        """
        contact = self.contact_of(kits) * _MINUTE
        full = self.full(kits) if full is None else full
        ready = end + self.wait * _MINUTE
        begins = _begins(ready, self.set_times, self.zone) if self.set_times else iter((ready,))
        into = self._first_place(begins, contact, full)
        out = into + contact
        return Return(soaks_at=into, lifted_at=out, back_at=out + self.rinse_and_dry * _MINUTE)

    def at(self, into: datetime, end: datetime, kits: int) -> Return | None:
        """The same by way of the bath at `into`; None where it is not ready, or there is no place then."""
        contact = self.contact_of(kits) * _MINUTE
        if into < end + (self.wait + self.wash) * _MINUTE:
            return None
        if self.set_times and into not in self.batches(into):
            return None
        if _in_the_way(into, contact, self.full(kits)) is not None:
            return None
        out = into + contact
        return Return(soaks_at=into, lifted_at=out, back_at=out + self.rinse_and_dry * _MINUTE)

    def batches(self, since: datetime) -> tuple[datetime, ...]:
        """When kits go into the bath at set times, from `since` on."""
        wash = self.wash * _MINUTE
        return tuple(at + wash for at in _begins(since - wash, self.set_times, self.zone))

    def _first_place(
        self, begins: Iterator[datetime], contact: timedelta, full: Sequence[Period]
    ) -> datetime:
        into = next(begins) + self.wash * _MINUTE
        if not self.set_times:
            into = _whole_minute(into)
        while (way := _in_the_way(into, contact, full)) is not None:
            # At set times the next one is waited for, else only until there is a place.
            if self.set_times:
                following = next(begins, None)
                if following is None:
                    return max(into, way.end)
                into = following + self.wash * _MINUTE
            else:
                into = _whole_minute(way.end)
        return into


def _in_the_way(into: datetime, contact: timedelta, full: Sequence[Period]) -> Period | None:
    return next((f for f in full if into < f.end and f.start < into + contact), None)


def _whole_minute(at: datetime) -> datetime:
    whole = at.replace(second=0, microsecond=0)
    return whole if whole == at else whole + _MINUTE


def _begins(since: datetime, set_times: Iterable[time], zone: str) -> Iterator[datetime]:
    day = local_date(since, zone)
    for n in range(_MOST_DAYS + 1):
        for at in sorted({at_local(day + n * _DAY, wall, zone) for wall in set_times}):
            if at >= since:
                yield at


def way_back(policy: HousePolicy, contact_seconds: int | None, zone: str) -> WayBack:
    """How a location's kits come back; nothing is planned for a house that says nothing of it.

    `contact_seconds` is the label's (None: none is known); begun minutes count as whole ones.
    """
    own = WayBack(
        wait=policy.kit_wait_minutes,
        wash=policy.kit_wash_minutes,
        rinse_and_dry=policy.kit_rinse_minutes + policy.kit_dry_minutes,
        set_times=wall_times(policy.kit_set_times),
        capacity=policy.kit_bath_capacity,
        zone=zone,
    )
    if not (own.is_planned or own.capacity):
        return NO_WAY_BACK
    return replace(own, contact=-(-(contact_seconds or 0) // 60))


NO_WAY_BACK = WayBack()


def most_at_once(spans: Iterable[Period]) -> int:
    """The greatest number of spans that have an instant in common."""
    return max((number for _, number in _steps(spans)), default=0)


def while_in_use(spans: Sequence[Period], kits: int) -> tuple[Period, ...]:
    """When `kits` or more of them are in use, so that no further one is left; `kits` is at least 1."""
    found: list[Period] = []
    since: datetime | None = None
    for at, number in _steps(spans):
        if since is None and number >= kits:
            since = at
        elif since is not None and number < kits:
            found.append(Period(since, at))
            since = None
    return tuple(found)


def _steps(spans: Iterable[Period]) -> list[tuple[datetime, int]]:
    """(instant, how many are in use from then on), in order of time. What ends makes room first."""
    changes: dict[datetime, int] = {}
    for span in spans:
        changes[span.start] = changes.get(span.start, 0) + 1
        changes[span.end] = changes.get(span.end, 0) - 1
    found, number = [], 0
    for at in sorted(changes):
        number += changes[at]
        found.append((at, number))
    return found
