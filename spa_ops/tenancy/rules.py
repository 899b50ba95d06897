"""Places and people, pure: opening hours, house policy of a site, licences. No I/O."""

import re
from dataclasses import dataclass, fields
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import holidays

from spa_ops.kernel.intervals import Period, at_local, some_local_period
from spa_ops.kernel.problems import InvalidInput, invalid

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: With more, a visit would keep half a day.
MOST_BUFFER_MINUTES = 240
MOST_SET_TIMES = 24
OpeningHours = dict[str, list[list[str]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePolicy:
    """What a site decides for itself. Every default is house policy: no published source."""

    turnover_begins_within_minutes: int = 10
    ready_before_set_up_minutes: int = 5
    notice_hours: int = 24
    cancellation_text: str = "Please tell us 24 hours before if you cannot come."
    tax_basis_points: int = 0
    tax_name: str = "tax"
    licence_warning_days: int = 60
    #: Intimate services are for nobody younger: 16 or 18 (trade-facts 7.27, published client policies).
    intimate_age_floor: int = 18
    #: How long the desk keeps an option while it talks: 1 to 15.
    hold_minutes: int = 5
    #: How long a time that came free is kept for who waits for it: 5 to 240.
    offer_minutes: int = 30
    #: Who is booked comes this long after the booking at the earliest; a walk-in just comes.
    lead_minutes: int = 0
    #: So many days ahead the diary is open; 0: as far as anybody likes.
    horizon_days: int = 0
    #: Closed on the public holidays of a country or a part of it, such as US or US-TX; empty: open.
    closed_on_holidays_of: str = ""
    #: How long a kit waits for somebody to see to it, and how long washing, rinsing and drying take;
    #: the contact time of the solution in use comes on top. All 0: its way back is not planned for.
    kit_wait_minutes: int = 0
    kit_wash_minutes: int = 0
    kit_rinse_minutes: int = 0
    kit_dry_minutes: int = 0
    #: How many kits a bath takes at once; 0: as many as come. And the wall times at which kits are seen
    #: to, such as "11:00 15:30"; empty: whenever one comes back.
    kit_bath_capacity: int = 0
    kit_set_times: str = ""
    #: Kept free before set-up and after turnover in each room, unless the room says otherwise, and
    #: before the first and after the last part of each visit for its practitioners: up to 240.
    room_buffer_before_minutes: int = 0
    room_buffer_after_minutes: int = 0
    practitioner_buffer_before_minutes: int = 0
    practitioner_buffer_after_minutes: int = 0
    #: How wax is drawn, where the jurisdiction allows it; elsewhere with a new applicator for each dip.
    wax_drawing: str = "new_each_dip"
    #: The opening list is done so long after opening at the latest, the closing list after closing.
    opening_list_within_minutes: int = 0
    closing_list_within_minutes: int = 60
    #: What is late gets louder after this long, and once more: by the hand on the clock, or by days.
    escalate_after_minutes: int = 15
    escalate_again_after_minutes: int = 60
    escalate_after_days: int = 3
    escalate_again_after_days: int = 14
    #: Warned of before a bath must be discarded, and how long a kit may stand soiled.
    bath_warning_minutes: int = 30
    kit_soiled_minutes: int = 60
    #: A kit that was opened for a visit is counted back so long after the visit's end at the latest:
    #: linen and bin are still there to search.
    kit_count_back_minutes: int = 30
    #: A house may throw its soak solutions out sooner than label and jurisdiction ask for: `at_closing`, or
    #: such as "8 hours", "3 days" or "20 uses"; empty: as those ask.
    solution_use_limit: str = ""
    #: A house may test its sterilisers more often than its jurisdiction asks for; 0: as that asks.
    spore_test_days: int = 0
    spore_test_warning_days: int = 3


#: What `wax_drawing` may be, as the requirement packs name it.
WAX_DRAWINGS = ("new_each_dip", "disinfected_each_dip", "decanted_cup", "squeeze_bottle")


_SOLUTION_LIMIT = re.compile(r"(at_closing|[1-9][0-9]{0,3} (hours|days|uses))?")
_KINDS: dict[str, Any] = {f.name: type(f.default) for f in fields(HousePolicy)}


def house_policy(stored: Any) -> HousePolicy:
    """The policy with this site's choices over the defaults; raises InvalidInput for anything else."""
    if not isinstance(stored, dict):
        raise invalid("/policies", "must map names of house policies to values")
    errors = []
    for key, value in stored.items():
        wanted = _KINDS.get(key)
        if wanted is None:
            errors.append((key, "unknown", "is not a house policy of this program"))
        elif type(value) is not wanted or (wanted is int and not 0 <= value <= 100_000):
            errors.append(
                (key, "invalid", f"must be {'a whole number' if wanted is int else 'text'}")
            )
        elif key == "intimate_age_floor" and value not in {16, 18}:
            errors.append((key, "invalid", "must be 16 or 18"))
        elif key == "hold_minutes" and not 1 <= value <= 15:
            errors.append((key, "invalid", "must be 1 to 15"))
        elif key == "offer_minutes" and not 5 <= value <= 240:
            errors.append((key, "invalid", "must be 5 to 240"))
        elif key == "wax_drawing" and value not in WAX_DRAWINGS:
            errors.append((key, "invalid", f"must be one of {', '.join(WAX_DRAWINGS)}"))
        elif key == "solution_use_limit" and not _SOLUTION_LIMIT.fullmatch(value):
            errors.append((key, "invalid", 'must be at_closing, such as "8 hours", or empty'))
        elif key == "kit_set_times" and not _are_wall_times(value):
            errors.append(
                (key, "invalid", f'must be up to {MOST_SET_TIMES} times such as "11:00 15:30"')
            )
        elif "_buffer_" in key and value > MOST_BUFFER_MINUTES:
            errors.append((key, "invalid", f"must be 0 to {MOST_BUFFER_MINUTES}"))
        elif key == "closed_on_holidays_of" and not _has_holidays(value):
            errors.append(
                (key, "invalid", "must be an ISO 3166 code such as US or US-TX, or empty")
            )
    if errors:
        raise InvalidInput(
            *({"pointer": f"/policies/{k}", "code": c, "message": m} for k, c, m in errors)
        )
    policy = HousePolicy(**stored)
    for pace in ("minutes", "days"):
        first, again = f"escalate_after_{pace}", f"escalate_again_after_{pace}"
        if getattr(policy, again) < getattr(policy, first):
            raise invalid(f"/policies/{again}", f"must not be less than {first}")
    return policy


@lru_cache(maxsize=1)
def _countries() -> dict[str, list[str]]:
    return holidays.list_supported_countries(include_aliases=False)


def wall_times(text: str) -> tuple[time, ...]:
    """Wall times that stand in a text with spaces between them, in order; raises `ValueError`."""
    return tuple(sorted({time.fromisoformat(part) for part in text.split()}))


def _are_wall_times(text: str) -> bool:
    try:
        found = wall_times(text)
    except (ValueError, TypeError):
        return False
    return len(found) <= MOST_SET_TIMES and all(
        t.tzinfo is None and t.second == t.microsecond == 0 for t in found
    )


def _has_holidays(code: str) -> bool:
    country, _, part = code.partition("-")
    if not code:
        return True
    return country in _countries() and (part in _countries()[country] or code == country)


@lru_cache(maxsize=256)
def public_holidays(code: str, year: int) -> frozenset[date]:
    """The public holidays of a year where `code` (ISO 3166-1 or 3166-2) is; none for an empty code.

    As the library `holidays` has them: also those on which only public offices close.
    """
    if not code:
        return frozenset()
    country, _, part = code.partition("-")
    return frozenset(holidays.country_holidays(country, subdiv=part or None, years=year))


def check_zone(zone: str) -> str:
    """An IANA zone name, or InvalidInput."""
    if zone not in available_timezones():
        raise invalid("/zone", "must be an IANA time zone such as America/Chicago")
    return zone


def check_opening_hours(hours: Any) -> OpeningHours:
    """mon..sun to a list of [opens, closes] wall times, or InvalidInput naming the place."""
    if not isinstance(hours, dict):
        raise invalid("/opening_hours", "must map mon..sun to [[opens, closes], ...]")
    for day, spans in hours.items():
        if day not in WEEKDAYS or not isinstance(spans, list):
            raise invalid(f"/opening_hours/{day}", "must be one of mon..sun with a list of spans")
        for span in spans:
            try:
                opens, closes = (time.fromisoformat(t) for t in span)
            except (TypeError, ValueError):
                raise invalid(f"/opening_hours/{day}", 'each span is ["09:00", "18:00"]') from None
            if opens == closes or opens.tzinfo or closes.tzinfo:
                raise invalid(
                    f"/opening_hours/{day}", "a span opens and closes at different wall times"
                )
    return hours


def open_periods(hours: OpeningHours, zone: str, day: date, holidays_of: str = "") -> list[Period]:
    """The spans that begin on the local `day`; one may end past midnight. None on a public holiday."""
    if day in public_holidays(holidays_of, day.year):
        return []
    found = (
        some_local_period(day, time.fromisoformat(opens), time.fromisoformat(closes), zone)
        for opens, closes in hours.get(WEEKDAYS[day.weekday()], [])
    )
    return [span for span in found if span is not None]


def closing_on(hours: OpeningHours, zone: str, day: date) -> datetime:
    """The last closing of `day`; a day without opening hours closes at its local midnight."""
    spans = hours.get(WEEKDAYS[day.weekday()], [])
    if not spans:
        return at_local(day + timedelta(days=1), time(0), zone)
    # Hours that the clocks skip come to nothing; such a day still has its other spans, or its midnight.
    ends = [span.end for span in open_periods(hours, zone, day)]
    return max(ends, default=at_local(day + timedelta(days=1), time(0), zone))


def is_open(hours: OpeningHours, zone: str, at: datetime, holidays_of: str = "") -> bool:
    """Whether the site is open at `at`."""
    today = at.astimezone(ZoneInfo(zone)).date()
    for day in (today - timedelta(days=1), today):
        if any(p.start <= at < p.end for p in open_periods(hours, zone, day, holidays_of)):
            return True
    return False


def first_closed(
    hours: OpeningHours, zone: str, period: Period, holidays_of: str = ""
) -> datetime | None:
    """The first instant of `period` at which the site is closed; None: it is open for all of it."""
    day = period.start.astimezone(ZoneInfo(zone)).date() - timedelta(days=1)
    last = period.end.astimezone(ZoneInfo(zone)).date()
    reached = period.start
    while day <= last:
        for span in sorted(open_periods(hours, zone, day, holidays_of)):
            if span.start <= reached < span.end:
                reached = span.end
        day += timedelta(days=1)
    return reached if reached < period.end else None


def licence_is_valid(valid_from: date | None, valid_through: date, on: date) -> bool:
    """A licence is valid through its expiry date, in the location's local time."""
    return (valid_from is None or valid_from <= on) and on <= valid_through
