"""Background work of visits: due reminders, looking ahead. The rows are the queue; a lost message costs nothing."""

import logging
from collections import Counter
from datetime import datetime
from uuid import UUID

from celery import shared_task
from celery.exceptions import SoftTimeLimitExceeded

from services.actions import (
    due_checks,
    foresight,
    holds,
    stock,
    waiting,
    waiting_matching,
    waiting_messages,
)
from services.actions import rebooking as actions
from services.queries.due_checks import SOURCES
from services.queries.waiting import offers_over
from services.rules.due_checks import DueKind
from services.rules.reminders import Message, RebookingState
from services.transports import Refused, Transport, Unreachable, transport
from spa_ops.kernel import clock
from spa_ops.kernel.actor import Actor, system_actor
from spa_ops.tenancy.queries import all_locations, business_ids
from spa_ops.unit.work import reading

log = logging.getLogger("services.tasks")
BEAT = {
    "send-due-reminders": ("services.tasks.send_due_reminders", 30),
    "look-ahead": ("services.tasks.look_ahead", 30),
    "sweep-holds": ("services.tasks.sweep_holds", 60),
    "book-uses": ("services.tasks.book_uses", 15),
    "offer-freed-time": ("services.tasks.offer_freed_time", 20),
    "sweep-due-checks": ("services.tasks.sweep_due_checks", 60),
}
#: Of one business in one run; the rest comes with the next beat.
MOST_PER_RUN = 500


@shared_task(name="services.tasks.send_due_reminders")
def send_due_reminders(now: datetime | None = None) -> dict[str, int]:
    """Send, or settle, every reminder that is due; gives how many had which outcome.

    Any number may run at once, and any may be killed: no message goes out twice. `now` is for
    replaying a day; without it each reminder is decided by the clock at its own turn.
    """
    counts: Counter[str] = Counter()
    carrier = transport()
    for business_id in business_ids():
        try:
            counts += _of_business(system_actor(business_id), carrier, now)
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one business's trouble must not silence the others
            log.exception("reminders of business %s stopped", business_id)
            counts["stopped"] += 1
    return dict(counts)


def _of_business(actor: Actor, carrier: Transport, now: datetime | None) -> Counter[str]:
    counts: Counter[str] = Counter()
    while actions.settle_stalled_reminder(actor=actor, now=now or clock.now()) is not None:
        counts["unconfirmed"] += 1
    for _ in range(MOST_PER_RUN):
        claimed = actions.claim_due_reminder(actor=actor, now=now or clock.now())
        if claimed is None:
            break
        outcome = claimed.outcome
        if claimed.message is not None:
            outcome = _handed_over(actor, carrier, claimed.message, now)
        counts[outcome] += 1
    return counts


def _handed_over(actor: Actor, carrier: Transport, message: Message, now: datetime | None) -> str:
    # No transaction is open here: a slow transport holds no lock.
    settle, outcome = actions.confirm_reminder, "sent"
    try:
        carrier.send(message)
    except Refused:
        settle, outcome = actions.refuse_reminder, "refused"
    except Unreachable:
        settle, outcome = actions.put_off_reminder, "put_off"
    settle(actor=actor, now=now or clock.now(), rebooking_id=message.reference)
    return outcome


@shared_task(name="services.tasks.look_ahead")
def look_ahead() -> int:
    """Look at coming visits again where something was told, booked or moved, or the rules are others.

    Safe to run twice and to be killed: each batch commits with what it found. Gives how many
    clients were looked at.
    """
    total = 0
    for business_id in business_ids():
        actor = system_actor(business_id)
        try:
            for step in (foresight.foresee_what_changed, foresight.foresee_under_new_rules):
                while done := step(actor=actor, now=clock.now()):
                    total += done
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one business's trouble must not silence the others
            log.exception("looking ahead for business %s stopped", business_id)
    return total


@shared_task(name="services.tasks.sweep_holds")
def sweep_holds() -> int:
    """End holds that have run out and remove old ones; gives how many. They stood in nobody's way."""
    total = 0
    for business_id in business_ids():
        try:
            while done := holds.sweep_holds(actor=system_actor(business_id), now=clock.now()):
                total += done
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one business's trouble must not keep the others waiting
            log.exception("sweeping holds of business %s stopped", business_id)
    return total


@shared_task(name="services.tasks.book_uses")
def book_uses() -> int:
    """Take from the stock what lines used that ended or were corrected; gives how many lines.

    Any number may run at once, and any may be killed: what a batch books goes with its due rows.
    """
    total = 0
    for business_id, location_id in all_locations():
        actor = system_actor(business_id)
        try:
            while done := stock.book_uses(actor=actor, now=clock.now(), location_id=location_id):
                total += done
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one location's trouble must not keep the others waiting
            log.exception("booking the uses of location %s stopped", location_id)
    return total


@shared_task(name="services.tasks.offer_freed_time")
def offer_freed_time(now: datetime | None = None) -> dict[str, int]:
    """Let offers lapse, offer what came free to who waits longest, and tell them; gives how many of each.

    Any number may run at once, and any may be killed: each offer commits by itself, no message goes
    out twice, and what came free stays due until the list was gone through.
    """
    counts: Counter[str] = Counter()
    carrier = transport()
    for business_id in business_ids():
        try:
            counts += _waiting_of_business(system_actor(business_id), carrier, now)
        except SoftTimeLimitExceeded:
            raise
        except Exception:  # one business's trouble must not keep the others waiting
            log.exception("the waiting lists of business %s stopped", business_id)
            counts["stopped"] += 1
    return dict(counts)


def _waiting_of_business(actor: Actor, carrier: Transport, now: datetime | None) -> Counter[str]:
    counts: Counter[str] = Counter()
    with reading(actor.business_id):
        over = offers_over(now or clock.now(), MOST_PER_RUN)
    for offer_id in over:
        counts["lapsed"] += waiting.lapse_offer(
            actor=actor, now=now or clock.now(), offer_id=offer_id
        )
    for place_id in waiting_matching.look_again_where_due(actor=actor, now=now or clock.now()):
        at: waiting_matching.Place | None = None
        for _ in range(MOST_PER_RUN):
            at = waiting_matching.offer_next(
                actor=actor, now=now or clock.now(), location_id=place_id, at=at
            )
            if at is None:
                break
            counts["offered"] += at.offer_id is not None
    while waiting_messages.settle_stalled_message(actor=actor, now=now or clock.now()) is not None:
        counts["unconfirmed"] += 1
    for _ in range(MOST_PER_RUN):
        claimed = waiting_messages.claim_due_message(actor=actor, now=now or clock.now())
        if claimed is None:
            break
        if claimed.message is None:
            counts[claimed.outcome] += 1
        else:
            counts[_told(actor, carrier, claimed.message, now)] += 1
    return counts


def _told(actor: Actor, carrier: Transport, message: Message, now: datetime | None) -> str:
    # No transaction is open here, as with reminders.
    state = RebookingState.SENT
    try:
        carrier.send(message)
    except Refused:
        state = RebookingState.NOT_SENT
    except Unreachable:
        state = RebookingState.WAITING
    waiting_messages.settle_message(
        actor=actor, now=now or clock.now(), offer_id=message.reference, state=state
    )
    return f"message {state}"


@shared_task(name="services.tasks.sweep_due_checks")
def sweep_due_checks() -> int:
    """Raise what is due at every location, make it louder with age, clear what is done; gives how many.

    Any number may run at once, and any may be killed: each batch commits by itself and nothing is
    raised twice.
    """
    return sum(
        _due_checks_of(business_id, location_id, kind)
        for business_id, location_id in all_locations()
        for kind in SOURCES
    )


def _due_checks_of(business_id: UUID, location_id: UUID, kind: DueKind) -> int:
    total = 0
    try:
        while done := due_checks.sweep_due_checks(
            actor=system_actor(business_id), now=clock.now(), location_id=location_id, kind=kind
        ):
            total += done
    except SoftTimeLimitExceeded:
        raise
    except Exception:  # one source's trouble must not silence the others
        log.exception("due checks of kind %s at location %s stopped", kind, location_id)
    return total
