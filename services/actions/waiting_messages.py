"""The one message that tells who waits that a time is kept for them: at most once, as reminders go."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from clients import queries as clients
from services.models import OfferState, WaitingOffer
from services.queries import rebooking as reminder_queries
from services.queries import waiting as queries
from services.rules.protected import is_minor
from services.rules.reminders import (
    Message,
    NotSent,
    RebookingState,
    Send,
    WaitUntil,
    addresses_of,
    decide,
)
from services.rules.waiting import offer_text
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.problems import WrongState
from spa_ops.unit.work import action, current

STALLED_AFTER = timedelta(minutes=10)
#: A time is offered for half an hour: who can't be reached is tried again soon.
TRY_AGAIN_AFTER = timedelta(minutes=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """What became of one due message; with a `message` the caller now has to hand it over."""

    offer_id: UUID
    outcome: str
    message: Message | None = None


@action
def claim_due_message(*, actor: Actor, now: datetime) -> Claimed | None:
    """Take one due message that nobody else has, and decide it by what holds now; None: none is due.

    `sending` is committed before the message is handed over: whoever dies between leaves a row that
    nobody sends again.
    """
    offer = queries.next_message(now)
    if offer is None:
        return None
    decision = _decision(offer, now)
    if isinstance(decision, NotSent):
        _settle(offer, RebookingState.NOT_SENT, decision.value, now)
        return Claimed(offer_id=offer.id, outcome=decision.value)
    _settle(offer, RebookingState.SENDING, decision.channel, now)
    place = offer.location
    text = offer_text(place.name, place.zone, offer.starts_at, offer.expires_at)
    message = Message(
        reference=offer.id, channel=decision.channel, recipient=decision.recipient, text=text
    )
    return Claimed(offer_id=offer.id, outcome="sending", message=message)


def _decision(offer: WaitingOffer, now: datetime) -> Send | NotSent:
    if offer.state != OfferState.OFFERED or offer.expires_at <= now:
        return NotSent.TOO_LATE
    place = offer.location
    client = clients.client_named(offer.entry.client_id)
    found = decide(
        now=now,
        zone=reminder_queries.client_zone(client, place),
        rebook_on=local_date(offer.starts_at, place.zone),
        hours=reminder_queries.sending_hours(place, now),
        consents=clients.consents(client.id),
        addresses=addresses_of(
            phone=client.phone,
            email=client.email,
            guardian=client.guardian,
            minor=is_minor(client.birth_date, local_date(now, place.zone)),
        ),
        is_booked=False,
        is_told=False,
    )
    # Outside the hours there is the telephone of the desk: by the morning the offer is over.
    return NotSent.TOO_LATE if isinstance(found, WaitUntil) else found


@action
def settle_message(
    *, actor: Actor, now: datetime, offer_id: UUID, state: RebookingState
) -> WaitingOffer:
    """How the sending ended: `sent`, `not_sent` (refused), or `waiting` to try again soon.

    Raises `WrongState` unless it was being sent.
    """
    _, offer = queries.locked_offer(offer_id, actor)
    if offer.message_state != RebookingState.SENDING:
        raise WrongState(thing="message", state=offer.message_state, needed="one being sent")
    channel = offer.message_outcome
    if state is RebookingState.WAITING:
        _settle(offer, state, "", now + TRY_AGAIN_AFTER)
    elif state is RebookingState.NOT_SENT:
        _settle(offer, state, NotSent.REFUSED.value, now)
    else:
        _settle(offer, state, channel, now)
        _evidence(offer, channel, certain=True)
    return offer


@action
def settle_stalled_message(*, actor: Actor, now: datetime) -> WaitingOffer | None:
    """Close one sending that nobody ended: it may or may not have gone, and the record says so."""
    offer = queries.next_stalled_message(now, STALLED_AFTER)
    if offer is not None:
        _settle(offer, RebookingState.UNCONFIRMED, offer.message_outcome, now)
        _evidence(offer, offer.message_outcome, certain=False)
    return offer


def _settle(offer: WaitingOffer, state: RebookingState, outcome: str, at: datetime) -> None:
    offer.message_state, offer.message_outcome, offer.message_due_at = state, outcome, at
    offer.save(update_fields=["message_state", "message_outcome", "message_due_at"])


def _evidence(offer: WaitingOffer, channel: str, *, certain: bool) -> None:
    current().evidence(
        "waiting.told",
        location_id=offer.location_id,
        subject_id=offer.entry_id,
        facts={"offer_id": offer.id, "channel": channel, "certain": certain},
    )
