"""When a message may be sent: within the hours of the client's own zone."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import at_local


@dataclass(frozen=True, slots=True, kw_only=True)
class SendingHours:
    """Wall times from `opens` up to but not including `closes`, on every day.

    47 CFR 64.1200(c)(1): none before 8 am or after 9 pm, local time of the one called; whether
    21:00:00 itself is allowed is arguable, so it counts as closed.
    """

    opens: time
    closes: time

    def __post_init__(self) -> None:
        if self.opens >= self.closes:
            raise ValueError("sending hours open before they close, within one day")

    def allow(self, at: datetime, *, zone: str) -> bool:
        """Whether a clock on the wall in `zone` is within the hours at `at` (aware)."""
        wall = at.astimezone(ZoneInfo(zone)).time()
        return self.opens <= wall < self.closes

    def next_allowed(self, at: datetime, *, zone: str) -> datetime:
        """`at` itself if allowed, else the next opening in `zone`, in UTC."""
        if self.allow(at, zone=zone):
            return at.astimezone(UTC)
        today = local_date(at, zone)
        opening = at_local(today, self.opens, zone)
        return opening if opening > at else at_local(today + timedelta(days=1), self.opens, zone)


def sending_hours_from(value: Mapping[str, str]) -> SendingHours:
    """The hours in a parsed `{opens: "08:00", closes: "21:00"}`; raises ValueError for others."""
    return SendingHours(
        opens=time.fromisoformat(value["opens"]), closes=time.fromisoformat(value["closes"])
    )
