"""Striking out events that followed from something which did not happen."""

from collections.abc import Sequence
from datetime import datetime

from compliance.disinfection import queries
from compliance.disinfection.actions.reprocessing import (
    LOOK_BACK,
    _derived_anew,
    _keep,
    _locked,
    _touch_kits,
)
from compliance.disinfection.actions.way_back import follow
from compliance.disinfection.models import EventStrike, ImplementEvent
from spa_ops.kernel.actor import Actor
from spa_ops.tenancy.models import Location
from spa_ops.unit.work import current


def strike_all(
    actor: Actor, now: datetime, place: Location, events: Sequence[ImplementEvent], *, reason: str
) -> None:
    """Strike out events that followed from something that did not happen, and derive anew."""
    if not events:
        return
    EventStrike.objects.bulk_create(
        EventStrike(
            business_id=actor.business_id,
            event=event,
            struck_at=now,
            person_id=actor.person_id,
            reason=reason,
        )
        for event in events
    )
    ids = {event.implement_id for event in events}
    rows = _locked(queries.sharing(ids, queries.look_back(ids, now, LOOK_BACK)))
    before = {row.id: row.state for row in rows}
    _keep(_derived_anew(place, rows, now), rows, [], now, anew=True)
    for event in events:
        changed = [
            row for row in rows if row.id == event.implement_id and row.state != before[row.id]
        ]
        current().evidence(
            "implement.event_struck",
            location_id=place.id,
            subject_id=event.implement_id,
            facts={
                "implement_id": event.implement_id,
                "kit_id": event.implement.kit_id,
                "event_id": event.id,
                "event": event.kind,
                "at": event.at,
                "changed_ids": [row.id for row in changed],
            },
        )
    _touch_kits(rows, but=set())
    follow(place, {row.kit_id for row in rows}, now)
