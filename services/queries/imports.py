"""Reads for imports: what the business has that rows are compared with."""

from collections.abc import Collection, Iterator
from typing import Any
from uuid import UUID

from django.db.models import Q

from clients.models import Client
from clients.queries_people import left_of, left_of_each
from compliance.disinfection.models import Kit
from rooms.models import Room
from services.models import ImportRow, ImportRun, Line, RunState, Service, Visit
from spa_ops.claims.models import Bookable, BookableFacts, Claim
from spa_ops.kernel.actor import Role
from spa_ops.tenancy.models import Membership, Person

#: Rows looked at in one go.
PAGE = 1000


def open_run(location_id: UUID, what: str) -> ImportRun | None:
    """The import of that kind which was begun at a location and has not ended, if there is one."""
    states = (RunState.STAGING, RunState.STAGED)
    return ImportRun.objects.filter(location_id=location_id, what=what, state__in=states).first()


def good_pages(run_id: UUID) -> Iterator[list[ImportRow]]:
    """The staged rows without errors, in file order, a page at a time."""
    return _pages(ImportRow.objects.filter(run_id=run_id, content__isnull=False))


def bad_pages(run_id: UUID) -> Iterator[list[ImportRow]]:
    """The staged rows with errors, in file order, a page at a time."""
    return _pages(ImportRow.objects.filter(run_id=run_id, content__isnull=True))


def _pages(rows: Any) -> Iterator[list[ImportRow]]:
    after: tuple[int, int] = (0, -1)
    while True:
        behind = Q(number__gt=after[0]) | Q(number=after[0], part__gt=after[1])
        page = list(rows.filter(behind).order_by("number", "part")[:PAGE])
        if not page:
            return
        yield page
        after = (page[-1].number, page[-1].part)


def bad_count(run_id: UUID) -> int:
    """How many staged rows have errors."""
    return ImportRow.objects.filter(run_id=run_id, content__isnull=True).count()


def clients_like(sort_names: Collection[str], source_ids: Collection[str]) -> list[Client]:
    """Clients of the business who have one of these names, or came with one of these source ids."""
    alike = Q(sort_name__in=sort_names) | Q(source_id__in=source_ids)
    return list(Client.objects.filter(alike))


def left_ones(clients: Collection[Client]) -> dict[UUID, Client]:
    """For each of these the record of the same person that is left: itself, unless it was merged."""
    merged = [client.id for client in clients if client.merged_into_id is not None]
    found = {client.id: client for client in clients}
    if not merged:
        return found
    left = left_of_each(merged)
    rows = {client.id: client for client in Client.objects.filter(id__in=set(left.values()))}
    return found | {client_id: rows[into_id] for client_id, into_id in left.items()}


def clients_at(location_id: UUID) -> Iterator[tuple[UUID, str, str, str]]:
    """(id, name, email, phone) of the clients in a location's feed, by id."""
    rows = Client.objects.filter(location_ids__contains=[location_id]).order_by("id")
    found = rows.values_list("id", "name", "email", "phone", "merged_into_id")
    for client_id, *rest, into_id in found.iterator(chunk_size=PAGE):
        # Who was merged is found by all they were called, as the one that is left.
        yield (left_of(client_id) if into_id else client_id, *rest)


def services() -> list[Service]:
    """The price list, retired services too."""
    return list(Service.objects.order_by("name", "id"))


def performers_at(location_id: UUID, now: Any) -> list[Person]:
    """The practitioners and leads of a location, and those of all locations."""
    here = Q(location_id=location_id) | Q(location_id=None)
    current = Q(valid_until=None) | Q(valid_until__gt=now)
    roles = [Role.PRACTITIONER, Role.LEAD]
    held = Membership.objects.filter(here, current, role__in=roles).values("person_id")
    return list(Person.objects.filter(id__in=held, active=True).order_by("id"))


def rooms_at(location_id: UUID) -> list[Room]:
    """The rooms of a location, by name."""
    return list(Room.objects.filter(location_id=location_id).order_by("name"))


def kits_at(location_id: UUID) -> list[Kit]:
    """The kits of a location, by name."""
    return list(Kit.objects.filter(location_id=location_id).order_by("name"))


def visits_from(source_ids: Collection[str]) -> dict[str, Visit]:
    """The visits that earlier imports brought in, by their id in the calendar."""
    rows = Visit.objects.filter(source_id__in=source_ids)
    return {row.source_id: row for row in rows if row.source_id is not None}


def last_ends(visit_ids: Collection[UUID]) -> dict[UUID, Any]:
    """When the last line of each visit ends."""
    rows = Line.objects.filter(visit_id__in=visit_ids).order_by("ends_at")
    return dict(rows.values_list("visit_id", "ends_at"))


def bookables(ids: Collection[UUID]) -> dict[UUID, BookableFacts]:
    """The bookables of these that are there, not locked."""
    rows = Bookable.objects.filter(id__in=ids).values_list(*BookableFacts._fields)
    return {row[0]: BookableFacts(*row) for row in rows}


def spans_taken(
    ids: Collection[UUID], now: Any, *, given_back: Collection[UUID]
) -> list[tuple[UUID, Any]]:
    """(bookable, span) of what is taken of these, but for expired holds and the visits `given_back`."""
    holds = Q(hold_expires_at=None) | Q(hold_expires_at__gt=now)
    rows = Claim.objects.filter(holds, bookable__in=ids).exclude(visit_id__in=given_back)
    return list(rows.values_list("bookable_id", "span"))
