"""When a client should come back, and the one reminder that says so.

A line's rebooking date is a row; a changed date is another row, so that "one message for a client,
line and date" is a unique constraint and stays true when a date is changed there and back.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from clients import queries as clients
from clients.queries_people import left_of
from services.models import Line, LineState, Rebooking
from services.queries import rebooking as queries
from services.rules.protected import is_minor
from services.rules.reminders import (
    GONE,
    MOST_DAYS_AHEAD,
    Message,
    NotSent,
    RebookingState,
    Send,
    WaitUntil,
    addresses_of,
    decide,
    rebooking_date,
    remind_at,
    reminder_text,
)
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import put
from spa_ops.unit.work import action, current

#: Longer than any transport takes: whoever has not said by then how it ended will not.
STALLED_AFTER = timedelta(minutes=10)
#: When a transport could not be reached at all, the next try.
TRY_AGAIN_AFTER = timedelta(minutes=10)


@action
def propose_rebooking(*, actor: Actor, now: datetime, line_id: UUID) -> Rebooking | None:
    """Set the date to come back for a finished line, by the price list; None where it names no weeks.

    Part of finishing a line, which holds the visit's lock; a line that has a date keeps it.
    """
    line = Line.objects.select_related("visit", "visit__client", "service").get(id=line_id)
    if line.state != LineState.FINISHED or line.finished_at is None:
        raise WrongState(thing="line", state=line.state, needed="a finished line")
    weeks = line.service.rebook_weeks
    if not weeks:
        return None
    there = Rebooking.objects.filter(line_id=line.id).order_by("id").first()
    if there is not None:
        return there
    place = tenancy.location(line.visit.location_id, actor)
    row = _dated(line, rebooking_date(line.finished_at, place.zone, weeks), now)
    put(row)
    facts = {"service_id": row.service_id, "remind_at": row.remind_at}
    _evidence("rebooking.proposed", row, facts)
    return row


def _dated(line: Line, on: date, now: datetime) -> Rebooking:
    visit = line.visit
    row = Rebooking(
        id=uuid7(),
        business_id=line.business_id,
        location_id=visit.location_id,
        client=visit.client,
        line=line,
        service_id=line.service_id,
        rebook_on=on,
    )
    row.remind_at = _due(row, now)
    return row


def _due(row: Rebooking, now: datetime) -> datetime:
    zone = queries.client_zone(row.client, row.location)
    return remind_at(row.rebook_on, zone, queries.sending_hours(row.location, now))


@action
def change_rebooking(
    *, actor: Actor, now: datetime, rebooking_id: UUID, rebook_on: date
) -> Rebooking:
    """The client wishes another date; gives that date's row. The date before waits no longer.

    For a date whose reminder has gone out already there is no second one. Raises `InvalidInput`
    for a day that has passed or lies more than two years ahead, `NotFound`.
    """
    named = tenancy.loaded(Rebooking, rebooking_id, actor)
    place = tenancy.location(named.location_id, actor)
    days_ahead = (rebook_on - local_date(now, place.zone)).days
    if not 0 <= days_ahead <= MOST_DAYS_AHEAD:
        raise invalid("/rebook_on", f"must be within {MOST_DAYS_AHEAD} days from today")
    rows = queries.locked_of_line(named.line_id)
    wanted = next((r for r in rows if r.rebook_on == rebook_on), None)
    if wanted is not None and wanted.state == RebookingState.WAITING:
        return wanted
    before = next((r for r in rows if r.state == RebookingState.WAITING), named)
    if before.state == RebookingState.WAITING:
        _settle(before, now, RebookingState.WITHDRAWN, "changed")
    wanted = _waiting_again(named, wanted, rebook_on, now)
    facts = {
        "was_rebooking_id": before.id,
        "was_on": before.rebook_on,
        "remind_at": wanted.remind_at,
    }
    _evidence("rebooking.changed", wanted, facts)
    return wanted


def _waiting_again(
    named: Rebooking, wanted: Rebooking | None, rebook_on: date, now: datetime
) -> Rebooking:
    if wanted is None:
        line = Line.objects.select_related("visit", "visit__client").get(id=named.line_id)
        wanted = _dated(line, rebook_on, now)
    elif wanted.state in GONE:
        return wanted
    wanted.state, wanted.outcome, wanted.settled_at = RebookingState.WAITING, "", None
    wanted.remind_at = _due(wanted, now)
    put(wanted)
    return wanted


@action
def withdraw_rebooking(*, actor: Actor, now: datetime, rebooking_id: UUID) -> Rebooking:
    """The client wishes no reminder for this date. Raises `WrongState` unless it waits, `NotFound`."""
    row = tenancy.locked(Rebooking, rebooking_id, actor)
    if row.state != RebookingState.WAITING:
        raise WrongState(thing="rebooking date", state=row.state, needed="one that waits")
    _settle(row, now, RebookingState.WITHDRAWN, "")
    _evidence("rebooking.withdrawn", row, {})
    return row


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """What became of one due reminder; with a `message` the caller now has to hand over."""

    rebooking_id: UUID
    outcome: str
    message: Message | None = None


@action
def claim_due_reminder(*, actor: Actor, now: datetime) -> Claimed | None:
    """Take one due reminder of the business that nobody else has, and decide it by what holds now.

    Sent at most once: `sending` is committed before the message is handed over, and
    `confirm_reminder` after it. Whoever dies between leaves a row that nobody sends again. None
    when nothing is due.
    """
    row = queries.next_due(now)
    if row is None:
        return None
    decision = _decision(row, now)
    if isinstance(decision, NotSent):
        _settle(row, now, RebookingState.NOT_SENT, decision)
        _evidence("reminder.not_sent", row, {"outcome": decision.value})
        return Claimed(rebooking_id=row.id, outcome=decision.value)
    if isinstance(decision, WaitUntil):
        row.remind_at = decision.at
        put(row, fields=["remind_at"])
        return Claimed(rebooking_id=row.id, outcome="outside_hours")
    _settle(row, now, RebookingState.SENDING, decision.channel)
    return Claimed(rebooking_id=row.id, outcome="sending", message=_message(row, decision))


def _decision(row: Rebooking, now: datetime) -> Send | WaitUntil | NotSent:
    place = row.location
    # The person's present address, and what they agreed to, are with the record that is left.
    client = clients.client_named(left_of(row.client_id))
    return decide(
        now=now,
        zone=queries.client_zone(client, place),
        rebook_on=row.rebook_on,
        hours=queries.sending_hours(place, now),
        consents=clients.consents(client.id),
        addresses=addresses_of(
            phone=client.phone,
            email=client.email,
            guardian=client.guardian,
            minor=is_minor(client.birth_date, local_date(now, place.zone)),
        ),
        is_booked=queries.is_booked_again(row, now),
        is_told=queries.is_told_already(row),
    )


def _message(row: Rebooking, decision: Send) -> Message:
    return Message(
        reference=row.id,
        channel=decision.channel,
        recipient=decision.recipient,
        text=reminder_text(row.location.name, row.rebook_on),
    )


@action
def confirm_reminder(*, actor: Actor, now: datetime, rebooking_id: UUID) -> Rebooking:
    """The transport took the message: sent, with its entry. Raises `WrongState` unless it was sending."""
    row = _being_sent(rebooking_id, actor)
    channel = row.outcome
    _settle(row, now, RebookingState.SENT, channel)
    _evidence("reminder.sent", row, {"channel": channel})
    return row


@action
def refuse_reminder(*, actor: Actor, now: datetime, rebooking_id: UUID) -> Rebooking:
    """The transport surely did not send the message and never will. Raises `WrongState`."""
    row = _being_sent(rebooking_id, actor)
    _settle(row, now, RebookingState.NOT_SENT, NotSent.REFUSED)
    _evidence("reminder.not_sent", row, {"outcome": NotSent.REFUSED.value})
    return row


@action
def put_off_reminder(*, actor: Actor, now: datetime, rebooking_id: UUID) -> Rebooking:
    """The transport could not be reached, so nothing was sent: try again later. Raises `WrongState`."""
    row = _being_sent(rebooking_id, actor)
    row.remind_at = now + TRY_AGAIN_AFTER
    row.state, row.outcome, row.settled_at = RebookingState.WAITING, "", None
    put(row, fields=["remind_at", "state", "outcome", "settled_at"])
    return row


@action
def settle_stalled_reminder(*, actor: Actor, now: datetime) -> Rebooking | None:
    """Close one sending that nobody ended: it may or may not have gone, and the record says so."""
    row = queries.next_stalled(now, STALLED_AFTER)
    if row is None:
        return None
    channel = row.outcome
    _settle(row, now, RebookingState.UNCONFIRMED, channel)
    _evidence("reminder.unconfirmed", row, {"channel": channel})
    return row


def _being_sent(rebooking_id: UUID, actor: Actor) -> Rebooking:
    row = tenancy.locked(Rebooking, rebooking_id, actor)
    if row.state != RebookingState.SENDING:
        raise WrongState(thing="reminder", state=row.state, needed="one that is being sent")
    return row


def _settle(row: Rebooking, now: datetime, state: RebookingState, outcome: str) -> None:
    row.state, row.outcome, row.settled_at = state, outcome, now
    put(row, fields=["state", "outcome", "settled_at"])


def _evidence(kind: str, row: Rebooking, facts: dict[str, Any]) -> None:
    current().evidence(
        kind,
        location_id=row.location_id,
        subject_id=row.id,
        facts={
            "rebooking_id": row.id,
            "line_id": row.line_id,
            "rebook_on": row.rebook_on,
            **facts,
        },
    )
