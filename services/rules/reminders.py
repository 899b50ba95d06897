"""When a client should come back, when we may say so, and what we then do. Pure.

Sending hours are a requirement pack's (47 CFR 64.1200(c)(1): from 8 am to 9 pm of the called
party's local time); everything else here is house policy unless it says otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from uuid import UUID

from compliance.requirements.rules.sending_hours import SendingHours
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import at_local

REMIND_DAYS_BEFORE = 7
REMIND_AT = time(10)
#: A date further ahead is a slip of the finger.
MOST_DAYS_AHEAD = 731


class RebookingState(StrEnum):
    """Where the one reminder of a rebooking date stands."""

    WAITING = "waiting"
    #: Taken by a worker that is handing it over right now.
    SENDING = "sending"
    SENT = "sent"
    #: Nobody said how the sending ended; it is not tried again.
    UNCONFIRMED = "unconfirmed"
    NOT_SENT = "not_sent"
    WITHDRAWN = "withdrawn"


#: For these a message of this date has gone out, or may have: there is no second one.
GONE = frozenset({RebookingState.SENDING, RebookingState.SENT, RebookingState.UNCONFIRMED})


def rebooking_date(finished_at: datetime, zone: str, weeks: int) -> date:
    """The rebooking date: the location's day of the finish plus the price list's weeks.

    For facial waxing the price list says 4 weeks (common practice, no source).
    """
    return local_date(finished_at, zone) + timedelta(weeks=weeks)


def remind_at(rebook_on: date, zone: str, hours: SendingHours) -> datetime:
    """When the reminder of that date is due: 7 days before at 10:00 in the client's `zone`, in UTC.

    Where 10:00 is outside the sending hours, their next opening.
    """
    due = at_local(rebook_on - timedelta(days=REMIND_DAYS_BEFORE), REMIND_AT, zone)
    return hours.next_allowed(due, zone=zone)


class Channel(StrEnum):
    """How a message reaches a client."""

    SMS = "sms"
    EMAIL = "email"


#: Which consent each channel needs; a text message goes before a letter where both are agreed.
CONSENT_FOR = {Channel.SMS: "sms_messages", Channel.EMAIL: "email_messages"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What a transport is handed. `reference` is the same for the same message, for its own records."""

    reference: UUID
    channel: Channel
    recipient: str
    text: str


def addresses_of(
    *, phone: str, email: str, guardian: Mapping[str, str] | None, minor: bool
) -> dict[Channel, str]:
    """Where messages about a client go: a minor's to the guardian alone, also when there is none."""
    if not minor:
        return {Channel.SMS: phone, Channel.EMAIL: email}
    known = guardian or {}
    return {Channel.SMS: known.get("phone", ""), Channel.EMAIL: known.get("email", "")}


class NotSent(StrEnum):
    """Why a reminder was settled without being sent."""

    TOO_LATE = "too_late"
    ALREADY_BOOKED = "already_booked"
    #: Another reminder of the same service and day has gone out to the same person, or may have.
    ALREADY_TOLD = "already_told"
    NO_CONSENT = "no_consent"
    NO_ADDRESS = "no_address"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Send:
    """Send it now."""

    channel: Channel
    recipient: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitUntil:
    """Not at this hour: look again at `at`."""

    at: datetime


def decide(
    *,
    now: datetime,
    zone: str,
    rebook_on: date,
    hours: SendingHours,
    consents: Mapping[str, bool],
    addresses: Mapping[Channel, str],
    is_booked: bool,
    is_told: bool,
) -> Send | WaitUntil | NotSent:
    """What to do with a due reminder at `now`, in the client's `zone`.

    It is still sent on the date itself and never after it. A consent that was never given or was
    withdrawn is no consent.
    """
    opens_at = hours.next_allowed(now, zone=zone)
    if local_date(opens_at, zone) > rebook_on:
        return NotSent.TOO_LATE
    if is_booked:
        return NotSent.ALREADY_BOOKED
    if is_told:
        return NotSent.ALREADY_TOLD
    agreed = [c for c in Channel if consents.get(CONSENT_FOR[c], False)]
    if not agreed:
        return NotSent.NO_CONSENT
    reachable = [c for c in agreed if addresses.get(c)]
    if not reachable:
        return NotSent.NO_ADDRESS
    if opens_at > now:
        return WaitUntil(at=opens_at)
    return Send(channel=reachable[0], recipient=addresses[reachable[0]])


def reminder_text(place: str, rebook_on: date) -> str:
    """A neutral service message: no offer, no name of a service, and how to get no more of them.

    An offer would make it marketing (UK PECR guidance); "reply stop" as 47 CFR 64.1200(a)(10) reads.
    """
    day = f"{rebook_on.day} {rebook_on:%B %Y}"
    return f"{place}: your next visit is due around {day}. Reply stop to get no more reminders."


def masked(recipient: str) -> str:
    """An address as a log may show it: the domain, or the last two digits."""
    if "@" in recipient:
        return f"{recipient[:1]}***@{recipient.rpartition('@')[2]}"
    return f"***{recipient[-2:]}"
