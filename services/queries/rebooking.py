"""Reads for rebooking dates and their reminders; the two that find due ones also lock what they find."""

from datetime import datetime, time, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.db import connection
from django.db.models import Q

from clients.models import Client
from clients.queries_people import ids_of, left_of
from compliance.requirements.pack_files import parameters
from compliance.requirements.rules.packs import ParameterName
from compliance.requirements.rules.sending_hours import SendingHours, sending_hours_from
from services.models import Line, LineState, Rebooking, VisitState
from services.queries.incidents import clients_hurt
from services.rules.reminders import GONE, RebookingState
from spa_ops.kernel.clock import local_date
from spa_ops.kernel.intervals import at_local
from spa_ops.tenancy.models import Location

_AHEAD = (VisitState.BOOKED, VisitState.ARRIVED, VisitState.IN_ROOM)


def next_due(now: datetime) -> Rebooking | None:
    """The waiting reminder that is due longest and that no other worker has; locked.

    While an incident of the person is open, theirs wait: nobody who was burnt is told to come again
    before somebody has seen to it. Afterwards they go out, or are too late, as any other.
    """
    rows = Rebooking.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return (
        rows.exclude(client_id__in=clients_hurt())
        .filter(state=RebookingState.WAITING, remind_at__lte=now)
        .select_related("client", "location", "service")
        .order_by("remind_at", "id")
        .first()
    )


def next_stalled(now: datetime, after: timedelta) -> Rebooking | None:
    """A reminder whose sending began `after` ago or earlier and never ended; locked."""
    rows = Rebooking.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return (
        rows.filter(state=RebookingState.SENDING, settled_at__lte=now - after)
        .order_by("settled_at", "id")
        .first()
    )


def locked_of_line(line_id: UUID) -> list[Rebooking]:
    """Every rebooking date that a line ever had, locked, oldest first.

    Whoever changes one locks them all in this order, so that a line never has two that wait.
    """
    rows = (
        Rebooking.objects.select_for_update(of=("self",), no_key=True)
        .filter(line_id=line_id)
        .order_by("id")
    )
    # The first read waits for others who change them; only the second sees what they added.
    list(rows)
    return list(rows.all())


def client_zone(client: Client, place: Location) -> str:
    """The zone by which a client's messages are timed: the client's own, else the location's."""
    try:
        return ZoneInfo(client.zone).key
    except (ZoneInfoNotFoundError, ValueError):
        return place.zone


def sending_hours(place: Location, at: datetime) -> SendingHours:
    """The hours in which messages may be sent, by the location's requirement pack."""
    found = parameters(place.jurisdiction, local_date(at, place.zone))
    return sending_hours_from(found[ParameterName.SENDING_HOURS].value)


def is_booked_again(row: Rebooking, now: datetime) -> bool:
    """Whether the client has a visit today or later, at any location, with this service or area."""
    today = at_local(local_date(now, row.location.zone), time(0), row.location.zone)
    return Line.objects.filter(
        Q(service_id=row.service_id) | Q(area=row.service.area),
        visit__client_id__in=ids_of(left_of(row.client_id)),
        visit__state__in=_AHEAD,
        visit__starts_at__gte=today,
        state=LineState.PLANNED,
    ).exists()


def is_told_already(row: Rebooking) -> bool:
    """Whether another reminder of this service and day has gone out to the person, or may have.

    Records that were merged may each have had one. Of two that are decided at once one waits here
    until the other has committed; it holds nothing that the other needs.
    """
    person = left_of(row.client_id)
    name = f"reminder {row.business_id} {person} {row.service_id} {row.rebook_on}"
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [name])
    return (
        Rebooking.objects.filter(
            client_id__in=ids_of(person),
            service_id=row.service_id,
            rebook_on=row.rebook_on,
            state__in=GONE,
        )
        .exclude(id=row.id)
        .exists()
    )
