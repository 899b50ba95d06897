"""Reads of the waiting list and its offers, with the locks that those who change them take."""

from collections.abc import Collection
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Q

from clients.holdings import plain
from services.models import (
    OfferState,
    WaitingDue,
    WaitingEntry,
    WaitingOffer,
    WaitingState,
)
from services.queries.incidents import clients_hurt
from services.rules.waiting import is_over, wishes_of
from spa_ops.kernel.actor import Actor
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import Period
from spa_ops.tenancy import queries as tenancy
from spa_ops.tenancy.models import Location

OPEN = (WaitingState.WAITING, WaitingState.OFFERED)


def locked_entry(entry_id: UUID, actor: Actor) -> WaitingEntry:
    """The entry, locked; raises `NotFound`. It is locked before its offers."""
    return tenancy.locked(WaitingEntry, entry_id, actor)


def locked_offer(offer_id: UUID, actor: Actor) -> tuple[WaitingEntry, WaitingOffer]:
    """The offer and its entry, both locked; raises `NotFound`."""
    entry = locked_entry(offer_named(offer_id, actor).entry_id, actor)
    return entry, tenancy.locked(WaitingOffer, offer_id, actor)


def offer_named(offer_id: UUID, actor: Actor) -> WaitingOffer:
    """The offer, unlocked; raises `NotFound`."""
    return tenancy.loaded(WaitingOffer, offer_id, actor)


def open_offer_of(entry_id: UUID, actor: Actor) -> WaitingOffer | None:
    """The offer that the entry's client has to answer, locked; the entry is locked."""
    found = WaitingOffer.objects.filter(entry_id=entry_id, state=OfferState.OFFERED).first()
    return tenancy.locked(WaitingOffer, found.id, actor) if found else None


def offers_over(now: datetime, most: int) -> list[UUID]:
    """Offers whose time is over and whose end is not written yet, the oldest first."""
    rows = WaitingOffer.objects.filter(state=OfferState.OFFERED, expires_at__lte=now)
    return list(rows.order_by("expires_at", "id").values_list("id", flat=True)[:most])


def places_waited_at(now: datetime, not_since: timedelta) -> dict[UUID, bool]:
    """Each location with a waiting list -> whether an entry of it was not looked at for so long."""
    found: dict[UUID, bool] = {}
    rows = WaitingEntry.objects.filter(state=WaitingState.WAITING)
    for place, looked_at in rows.values_list("location_id", "looked_at"):
        old = looked_at is None or looked_at <= now - not_since
        found[place] = found.get(place, False) or old
    return found


def due_at(location_id: UUID) -> list[WaitingDue]:
    """What has come free at a location since its list was looked at."""
    return list(WaitingDue.objects.filter(location_id=location_id).order_by("id"))


def due_ids(location_id: UUID) -> frozenset[UUID]:
    """The ids of `due_at`."""
    return frozenset(
        WaitingDue.objects.filter(location_id=location_id).values_list("id", flat=True)
    )


def is_wholly_due(location_id: UUID) -> bool:
    """Whether all days of a location's list are to be looked at anyway."""
    return WaitingDue.objects.filter(location_id=location_id, from_at=None).exists()


def places_due() -> list[UUID]:
    """The locations at which time has come free."""
    return sorted(set(WaitingDue.objects.values_list("location_id", flat=True)))


def waiting_behind(
    location_id: UUID, after: tuple[datetime, UUID] | None, most: int
) -> list[WaitingEntry]:
    """Entries that wait at a location, in their order, behind a place in it.

    Those of who was hurt and has not been seen to are passed over until the incident is closed.
    """
    rows = WaitingEntry.objects.filter(location_id=location_id, state=WaitingState.WAITING)
    rows = rows.exclude(client_id__in=clients_hurt())
    if after is not None:
        at, entry_id = after
        rows = rows.filter(Q(created_at__gt=at) | Q(created_at=at, id__gt=entry_id))
    return list(rows.order_by("created_at", "id")[:most])


def over_at(place: Location, now: datetime) -> Any:
    """The entries of a location whose last day has passed, as rows to be written."""
    today = local_date(now, place.zone)
    rows = WaitingEntry.objects.filter(
        location_id=place.id, state=WaitingState.WAITING, until_on__lt=today
    )
    # The last evening's times may go on past midnight.
    of_yesterday = rows.filter(until_on=today - timedelta(days=1)).exclude(times=[])
    running = [e.id for e in of_yesterday if not is_over(wishes_of(vars(e)), place.zone, now)]
    return rows.exclude(id__in=running)


def days_refused(entry_ids: Collection[UUID], zone: str) -> dict[UUID, set[date]]:
    """Entry -> the local days of which a time was offered and not taken."""
    found: dict[UUID, set[date]] = {}
    rows = WaitingOffer.objects.filter(
        entry_id__in=entry_ids, state__in=(OfferState.DECLINED, OfferState.LAPSED)
    )
    for entry_id, starts_at in rows.values_list("entry_id", "starts_at"):
        found.setdefault(entry_id, set()).add(local_date(starts_at, zone))
    return found


def next_message(now: datetime) -> WaitingOffer | None:
    """The offer whose message is due longest and that no other worker has; locked.

    Who was hurt since it was made, and has not been seen to, is told nothing while it is good: then
    the desk calls, or does not.
    """
    hurt = Q(entry__client_id__in=clients_hurt(), expires_at__gt=now)
    rows = WaitingOffer.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return (
        rows.exclude(hurt)
        .filter(message_state="waiting", message_due_at__lte=now)
        .select_related("location", "entry")
        .order_by("message_due_at", "id")
        .first()
    )


def next_stalled_message(now: datetime, after: timedelta) -> WaitingOffer | None:
    """An offer whose message began to be sent `after` ago and never ended; locked."""
    rows = WaitingOffer.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return (
        rows.filter(message_state="sending", message_due_at__lte=now - after)
        .order_by("message_due_at", "id")
        .first()
    )


def freed(due: Collection[WaitingDue]) -> Period | None:
    """What has come free, from the first to the last of it; None: any time may have."""
    starts, ends = [d.from_at for d in due], [d.until_at for d in due]
    if not starts or None in starts or None in ends:
        return None
    first, last = min(filter(None, starts)), max(filter(None, ends))
    return Period(first, last) if first < last else None


def entries_of(client_id: UUID) -> list[UUID]:
    """A client's entries that are open or have a note."""
    rows = WaitingEntry.objects.filter(Q(state__in=OPEN) | ~Q(note=""), client_id=client_id)
    return list(rows.order_by("id").values_list("id", flat=True))


def exported_entries(client_id: UUID) -> list[dict[str, Any]]:
    """For the export: what the client waited for, and what they were offered."""
    rows = list(
        WaitingEntry.objects.filter(client_id=client_id)
        .order_by("created_at", "id")
        .values("id", "location_id", "lines", "from_on", "until_on", "weekdays", "times", "note",
                "created_at", "created_by", "state", "settled_at", "visit_id")
    )  # fmt: skip
    offers = WaitingOffer.objects.filter(entry_id__in=[row["id"] for row in rows])
    for row in rows:
        row["offers"] = list(
            offers.filter(entry_id=row["id"])
            .order_by("offered_at", "id")
            .values("id", "starts_at", "offered_at", "expires_at", "state", "message_state",
                    "message_outcome")
        )  # fmt: skip
    return plain(rows)


def client_of(offer: WaitingOffer) -> UUID:
    """Whose offer it is."""
    return WaitingEntry.objects.values_list("client_id", flat=True).get(id=offer.entry_id)
