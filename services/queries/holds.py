"""Reads of holds: who holds what until when, and what has run out."""

from collections.abc import Collection
from datetime import datetime
from uuid import UUID

from django.db import connection
from django.db.models import Q

from services.models import Hold, HoldState
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy import queries as tenancy


def locked_hold(hold_id: UUID, actor: Actor) -> Hold:
    """The hold, locked; raises `NotFound`."""
    return tenancy.locked(Hold, hold_id, actor)


def holders(hold_ids: Collection[UUID]) -> dict[UUID, str]:
    """For each hold the name of the device that holds it, else of the person; an offer's is the waiting list."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT h.id, coalesce(d.name, p.name, '') FROM services_hold h "
            "LEFT JOIN tenancy_device d ON d.business_id = h.business_id AND d.id = h.device_id "
            "LEFT JOIN tenancy_person p ON p.business_id = h.business_id AND p.id = h.person_id "
            "WHERE h.id = ANY(%s) UNION ALL "
            "SELECT o.id, 'the waiting list' FROM services_waiting_offer o WHERE o.id = ANY(%s)",
            [list(hold_ids), list(hold_ids)],
        )
        return dict(cursor.fetchall())


def running_of(actor: Actor, now: datetime) -> int:
    """How many holds the acting device has, or the person where there is no device."""
    mine = Q(device_id=actor.device_id) if actor.device_id else Q(device_id=None)
    rows = Hold.objects.filter(mine, state=HoldState.HELD, expires_at__gt=now)
    if not actor.device_id:
        rows = rows.filter(person_id=actor.person_id)
    return rows.count()


def run_out(now: datetime, most: int) -> list[Hold]:
    """Holds whose time is over and whose end is not written yet, locked; what others lock is left out."""
    rows = Hold.objects.select_for_update(of=("self",), no_key=True, skip_locked=True)
    return list(
        rows.filter(state=HoldState.HELD, expires_at__lte=now).order_by("expires_at")[:most]
    )


def long_over(before: datetime, most: int) -> list[UUID]:
    """Holds that ran out before that."""
    rows = Hold.objects.filter(expires_at__lt=before).order_by("expires_at")
    return list(rows.values_list("id", flat=True)[:most])
