"""The waiting list: entering a wish, taking it back, and answering what was offered."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any
from uuid import UUID

from clients.queries import client_named
from clients.queries_people import check_left
from clients.registry import Holding, register
from services.actions.booking import book_visit
from services.actions.checking import facts_for, named_by
from services.actions.erasure import everywhere
from services.actions.plans import LineRequest
from services.models import OfferState, Visit, WaitingEntry, WaitingOffer, WaitingState
from services.problems import OfferOver
from services.queries import visits as visit_queries
from services.queries import waiting as queries
from services.queries.availability import LineAsked, asked_for
from services.rules.waiting import check_wishes
from spa_ops.claims import actions as claims
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date, rfc3339
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.problems import WrongState, invalid
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.rows import insert
from spa_ops.unit.work import action, current

MOST_LINES = 6


@action
def add_entry(
    *,
    actor: Actor,
    now: datetime,
    location_id: UUID,
    client_id: UUID,
    lines: Sequence[LineAsked],
    from_on: date,
    until_on: date,
    weekdays: Sequence[str] = (),
    times: Sequence[Sequence[time]] = (),
    note: str = "",
) -> WaitingEntry:
    """Put a client on the waiting list, behind those who are on it.

    Raises `InvalidInput`, `NotFound`, `Erased`, `MergedAway`, `OtherPractitionerChosen`. Whether
    screening allows it is asked when a time is found.
    """
    place = tenancy.location(location_id, actor)
    if not 1 <= len(lines) <= MOST_LINES:
        raise invalid("/lines", f"must be 1 to {MOST_LINES}")
    check_wishes(
        from_on=from_on,
        until_on=until_on,
        weekdays=weekdays,
        times=times,
        today=local_date(now, place.zone),
    )
    # What no search could ever be asked with is refused now.
    asked_for(
        actor=actor, now=now, location_id=place.id, client_id=client_id, lines=lines, since=now
    )
    check_left(client_named(client_id))
    entry = WaitingEntry(
        id=uuid7(),
        business_id=actor.business_id,
        location=place,
        client_id=client_id,
        lines=[_kept(line) for line in lines],
        from_on=from_on,
        until_on=until_on,
        weekdays=list(weekdays),
        times=[[f"{t:%H:%M}" for t in pair] for pair in times],
        note=note,
        created_at=now,
        created_by=actor.person_id,
    )
    insert([entry])
    return entry


def _kept(line: LineAsked) -> dict[str, str | None]:
    names = ("service_id", "practitioner_id", "room_id")
    return {name: str(v) if (v := getattr(line, name)) else None for name in names}


@action
def withdraw_entry(*, actor: Actor, now: datetime, entry_id: UUID) -> WaitingEntry:
    """The client waits no longer; what was offered to them is free again.

    Raises `NotFound`, `WrongState` for one that is over.
    """
    entry = queries.locked_entry(entry_id, actor)
    if entry.state not in queries.OPEN:
        raise WrongState(thing="entry", state=entry.state, needed="waiting or offered")
    offer = queries.open_offer_of(entry.id, actor)
    settle_entry(entry, now, WaitingState.WITHDRAWN)
    if offer is not None:
        end_offer(offer, now, OfferState.WITHDRAWN)
    return entry


@action
def accept_offer(*, actor: Actor, now: datetime, offer_id: UUID, note: str = "") -> Visit:
    """Book what was offered, in the place of what is kept for it, deciding everything anew.

    Raises `NotFound`, `OfferOver`, and what `book_visit` raises. Of two at once one books.
    """
    offer = queries.offer_named(offer_id, actor)
    lines = [_request(line) for line in offer.lines]
    client_id = queries.client_of(offer)
    # All that the booking may lock comes first: what it needs, what is kept, who may set up.
    needed = facts_for(actor, now, offer.location_id, client_id, lines).attendants.union(
        *map(named_by, lines), visit_queries.bookables_held(offer.id), {client_id}
    )
    claims.lock_bookables(needed)
    entry, offer = queries.locked_offer(offer_id, actor)
    _check_open(offer, now)
    claims.release_hold(offer.id)
    visit = book_visit(
        actor=actor,
        now=now,
        location_id=offer.location_id,
        client_id=client_id,
        lines=lines,
        note=note,
    )
    offer.state, offer.settled_at = OfferState.ACCEPTED, now
    offer.save(update_fields=["state", "settled_at"])
    entry.visit_id = visit.id
    settle_entry(entry, now, WaitingState.BOOKED)
    return visit


def _request(line: Mapping[str, Any]) -> LineRequest:
    ids = {
        name: UUID(line[name]) if line[name] else None
        for name in ("service_id", "practitioner_id", "room_id", "kit_id")
    }
    return LineRequest(starts_at=datetime.fromisoformat(line["starts_at"]), **ids)  # type: ignore[arg-type]


@action
def decline_offer(
    *, actor: Actor, now: datetime, offer_id: UUID, withdraw: bool = False
) -> WaitingEntry:
    """The client does not take it: the time goes to the next, and they wait on, or no longer.

    They keep their place, and are offered nothing more of that day. Raises `NotFound`, `OfferOver`.
    """
    entry, offer = queries.locked_offer(offer_id, actor)
    _check_open(offer, now)
    if withdraw:
        settle_entry(entry, now, WaitingState.WITHDRAWN)
    else:
        settle_entry(entry, None, WaitingState.WAITING)
    end_offer(offer, now, OfferState.DECLINED)
    return entry


@action
def lapse_offer(*, actor: Actor, now: datetime, offer_id: UUID) -> bool:
    """End an offer that nobody answered in time, as if it was declined; False when it had ended."""
    entry, offer = queries.locked_offer(offer_id, actor)
    if offer.state != OfferState.OFFERED or offer.expires_at > now:
        return False
    settle_entry(entry, None, WaitingState.WAITING)
    end_offer(offer, now, OfferState.LAPSED)
    return True


def _check_open(offer: WaitingOffer, now: datetime) -> None:
    if offer.state != OfferState.OFFERED or offer.expires_at <= now:
        over = OfferState.LAPSED if offer.state == OfferState.OFFERED else offer.state
        raise OfferOver(state=str(over), expires_at=rfc3339(offer.expires_at))


def settle_entry(entry: WaitingEntry, at: datetime | None, state: WaitingState) -> None:
    """Write where an entry stands; before its time is given back, so that the list is looked at."""
    entry.state, entry.settled_at = state, at
    entry.save(update_fields=["state", "settled_at", "visit_id"])


def end_offer(offer: WaitingOffer, now: datetime, state: OfferState) -> None:
    """Write that an offer is over, and give its time back."""
    offer.state, offer.settled_at = state, now
    offer.save(update_fields=["state", "settled_at"])
    claims.release_hold(offer.id)


def _blank(client_id: UUID, now: datetime) -> int:
    actor = everywhere(current().actor)
    ids = queries.entries_of(client_id)
    for entry_id in ids:
        entry = queries.locked_entry(entry_id, actor)
        if entry.state in queries.OPEN:
            withdraw_entry(actor=actor, now=now, entry_id=entry_id)
        WaitingEntry.objects.filter(id=entry_id).update(note="")
    return len(ids)


def register_holdings() -> None:
    """An erased client waits no longer, and the words of the wish are blank."""
    register(Holding(table="services_waiting_entry", export=queries.exported_entries, erase=_blank))
